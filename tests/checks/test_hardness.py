"""Alkalinity above hardness: an exchange, a softener or a soda water, by what else is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.normalise.sample_table import SampleTable


@pytest.mark.common_practice
def test_an_exchange_is_held_and_what_a_softener_explains_is_noted(
    load_case: Callable[[Path], SampleTable], case_folder: Path
) -> None:
    samples = load_case(case_folder / "alkalinity-over-hardness" / "bad.csv")

    found, _ = run_check(CHECKS["alkalinity-over-hardness"], samples, Limits())

    expected = samples.about["severity"]
    assert dict(zip(found["sample_id"], found["severity"], strict=True)) == expected.to_dict()


@pytest.mark.common_practice
def test_an_agency_is_not_suspected_of_exchanged_counts(table_of: Callable[..., SampleTable]) -> None:
    samples = table_of(
        alkalinity_mg_l_caco3=[310.0],
        alkalinity_mg_l_caco3__method=["public-data"],
        total_hardness_mg_l_caco3=[260.0],
        stage=["raw"],
    )

    found, _ = run_check(CHECKS["alkalinity-over-hardness"], samples, Limits())

    assert found["severity"].tolist() == ["note"]


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(("sodium", "severities"), [(23.0, []), (10.0, ["hold"])])
def test_sodium_decides_where_it_was_measured(
    table_of: Callable[..., SampleTable], sodium: float, severities: list[str]
) -> None:
    """(310 − 260)/2.177 = 23.0 mg/L sodium carry the excess of a natural water; 10 do not, by far."""
    samples = table_of(
        alkalinity_mg_l_caco3=[310.0], total_hardness_mg_l_caco3=[260.0], sodium_mg_l=[sodium], stage=["raw"]
    )

    found, _ = run_check(CHECKS["alkalinity-over-hardness"], samples, Limits())

    assert found["severity"].tolist() == severities
