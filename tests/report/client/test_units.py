"""Numbers a client reads: the country's unit, the language's decimal mark, the digits the method has."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.report.client.sentences import Voice
from pipeline.report.client.units import OwnUnit, decimals, figure, own_unit
from pipeline.words import day


# Arithmetic in view. DIN19640: 10 mg/L CaO, 10 × 100.0869 / 56.0774 = 17.848. GRAIN: 64.79891 mg in
# 3.785411784 L = 17.118 mg/L, in 4.54609 L = 14.254 mg/L. French degree: 10 mg/L by definition.
@pytest.mark.source("DIN19640")
@pytest.mark.source("GRAIN")
@pytest.mark.parametrize(
    ("country", "sign", "mg_l"),
    [
        ("DE", "°dH", 17.848),
        ("AT", "°dH", 17.848),
        ("IT", "°f", 10.0),
        ("FR", "°f", 10.0),
        ("US", "gpg", 17.118),
        ("GB", "°Clark", 14.254),
        ("JP", "mg/L", 1.0),
        ("", "mg/L", 1.0),
    ],
)
def test_a_country_has_its_unit(country: str, sign: str, mg_l: float) -> None:
    unit = own_unit(country)

    assert unit.sign == sign
    assert (unit.hardness, unit.alkalinity) == (pytest.approx(mg_l, abs=5e-4), pytest.approx(mg_l, abs=5e-4))


@pytest.mark.source("IUPAC2021")
def test_a_millimole_of_alkalinity_is_half_a_millimole_of_hardness() -> None:
    """Hardness counts calcium carbonate (100.087 g/mol), alkalinity acid: one carbonate takes two."""
    unit = own_unit("DE", "mmol/L")

    assert unit.hardness == pytest.approx(100.087, abs=5e-4)
    assert unit.alkalinity == pytest.approx(50.043, abs=5e-4)


def test_without_a_country_the_unit_that_was_written_counts() -> None:
    assert own_unit("", written="°dH").sign == "°dH"
    assert own_unit("", written="ppm").sign == "mg/L"
    assert own_unit("IT", written="°dH").sign == "°f"
    assert own_unit("", "gpg", "°dH").sign == "gpg"


def test_a_unit_that_is_none_is_refused() -> None:
    with pytest.raises(KettlestoneError, match="not a unit of hardness"):
        own_unit("DE", "bushel")


@pytest.mark.parametrize("country", table("client_units")["country"].tolist())
def test_every_unit_of_the_table_is_understood(country: str) -> None:
    assert own_unit(country).hardness > 1.0


def test_the_uncertainty_decides_the_digits() -> None:
    """A titration by drops has no decimals in degrees; a laboratory's 0.04 has two."""
    assert [decimals(spread) for spread in (18.0, 1.0, 0.96, 0.2, 0.04, 0.0)] == [0, 0, 0, 1, 2, 0]


def test_numbers_and_days_are_written_the_way_of_the_language() -> None:
    assert (figure(53.54, 1, "en"), figure(53.54, 1, "de")) == ("53.5", "53,5")
    assert (figure(-0.2, 0, "en"), figure(-3.0, 0, "de")) == ("0", "−3")
    assert (day(date(2025, 7, 8), "en"), day(date(2025, 7, 8), "de")) == ("8 July 2025", "08.07.2025")


def test_an_estimate_has_two_figures() -> None:
    voice = Voice("en", OwnUnit("mg/L", 1.0, 1.0))

    assert [voice.rough(value) for value in (243.8, 18.49, 2.658, 0.848, 0.0, 1.0)] == [
        "240",
        "18",
        "2.7",
        "0.85",
        "0",
        "1.0",
    ]
