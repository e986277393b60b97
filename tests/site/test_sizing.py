"""What advice means in litres and days."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pipeline.site.facts import capacity
from pipeline.site.sizing import size_of
from pipeline.words import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.site.record import Site
    from pipeline.site.visit import Visit
    from pipeline.treat.advice import Advice


def _exactly(visit: Callable[..., Visit], hardness: int, alkalinity: int) -> Visit:
    """Give a raw water in German degrees, known without uncertainty."""
    columns = {"total_hardness_mg_l_caco3": hardness * 17.848, "alkalinity_mg_l_caco3": alkalinity * 17.848}
    return visit(ph=7.4, **columns, **{f"{name}.u": 0.0 for name in columns})


@pytest.mark.parametrize(
    ("number", "unit", "read"),
    [
        ("12000", "°dH·L", (12000.0, "litre °dH")),
        ("12.000", "L·°dH", (12000.0, "litre °dH")),
        ("12,000", "grains", (12000.0, "grains")),
        ("12'000", "°f·L", (12000.0, "litre °f")),
        ("4,993", "eq", (4.993, "eq")),
        ("1.250", "kg CaCO3", (1.25, "kg CaCO3")),
    ],
)
def test_a_capacity_is_read_as_registers_write_it(number: str, unit: str, read: tuple[float, str]) -> None:
    assert capacity({"capacity": number, "capacity_unit": unit}) == read


@pytest.mark.parametrize(
    "row", [{}, {"capacity": "0", "capacity_unit": "eq"}, {"capacity": "5", "capacity_unit": "cups"}]
)
def test_a_capacity_that_is_none_is_not_known(row: dict[str, str]) -> None:
    number, _ = capacity(row)

    assert number != number  # noqa: PLR0124 - missing


@pytest.mark.common_practice
def test_a_filling_lasts_as_the_arithmetic_says(
    advice: Callable[..., Advice], site: Callable[..., Site], visit: Callable[..., Visit]
) -> None:
    """14 °dH of hardness, 11 of alkalinity, bypass 3/11: 8 °dH are taken from each litre.

    12 000 / 8 = 1500 L, less 15 % reserve 1275 L; at 38 L a day 33 days.
    """
    raw = _exactly(visit, 14, 11)
    site = site(raw=raw, litres=38.0, register={"capacity": "12.000", "capacity_unit": "°dH·L"})

    said = [say(one) for one in size_of(advice(settings={"bypass": 3.0 / 11.0}), raw, site, "°dH")]

    assert "One filling is good for about 1300 L, reserve kept back." in said
    assert "Change it every 33 days at 38 L a day." in said


def test_without_a_capacity_the_one_to_ask_for_is_named(
    advice: Callable[..., Advice], site: Callable[..., Site], visit: Callable[..., Visit]
) -> None:
    """10 °dH taken from 40 L a day over 182 days, 15 % kept back: 10 · 40 · 182 / 0.85 = 86 000 °dH·L."""
    raw = _exactly(visit, 12, 10)

    said = [say(one) for one in size_of(advice(settings={"bypass": 0.0}), raw, site(raw=raw), "°dH")]

    assert "To last half a year it needs a capacity of about 86000 °dH·L." in said
