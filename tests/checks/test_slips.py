"""What two readings of one quantity may have had happen to them, by the ratio between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.readings_agree import AgreementLimits, readings_disagree
from pipeline.checks.slips import closest, degree_typed
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.normalise.sample_table import SampleTable

TOLERANCE = 0.06


def named(analyte: str, ratio: float) -> str:
    return closest(TextColumn.from_series(pd.Series([analyte])), np.array([ratio]), TOLERANCE).tolist()[0]


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("analyte", "ratio", "words"),
    [
        ("alkalinity", 61.017 / 50.043, "HCO3 and CaCO3"),
        ("calcium", 100.087 / 40.078, "Ca and CaCO3"),
        ("nitrate", 62.004 / 14.007, "N and NO3"),
        ("total_hardness", 17.848 / 10, "°dH and °f"),
        ("total_hardness", 17.118 / 10, "gpg and °f"),  # 4 % from German degrees, and no nearer to them
        ("total_hardness", 14.254 / 10, "°Clark and °f"),
        ("alkalinity", 50.043 / 17.848, "acid capacity"),
        ("conductivity", 1000, "mS/cm"),
    ],
)
def test_the_slip_whose_ratio_comes_closest_is_named(analyte: str, ratio: float, words: str) -> None:
    assert words in named(analyte, ratio)


@pytest.mark.parametrize(
    ("analyte", "ratio"),
    [("chloride", 1.219), ("total_hardness", 1.219), ("sodium", 2.497), ("sulfate", 4.427), ("chloride", 2.0)],
)
def test_a_slip_that_cannot_happen_to_a_quantity_is_not_named(analyte: str, ratio: float) -> None:
    """Chloride has no form as HCO3, sodium none as CaCO3."""
    assert "form confused" not in named(analyte, ratio)
    assert "volume" not in named(analyte, ratio)


@pytest.mark.common_practice
def test_slips_with_the_same_ratio_are_all_named() -> None:
    """Two is the ratio of half the sample, and of meq/L to mmol/L."""
    assert named("total_hardness", 2.0) == (
        "a sample volume halved or doubled (ratio 2); or meq/L and mmol/L confused (ratio 2)"
    )
    assert "gpg" not in named("total_hardness", 1.785)


def test_a_ratio_of_no_slip_names_none() -> None:
    assert named("chloride", 1.5) == ""
    assert named("chloride", float("nan")) == ""


@pytest.mark.common_practice
def test_a_conductivity_that_is_the_tds_is_named_as_such(
    load_case: Callable[[Path], SampleTable], tmp_path: Path
) -> None:
    """The meter shows 412 µS/cm and 206 ppm; the second conductivity of the sheet is the ppm."""
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(
        "sample_id,analyte,method,value,uncertainty\n1,conductivity,laboratory,412,8\n"
        "1,conductivity,meter,206,4\n1,tds,meter,206,10\n",
        encoding="utf-8",
    )

    found = readings_disagree(load_case(sheet), AgreementLimits())

    assert np.asarray(found["alternative"]).tolist() == [
        "one of them is the TDS of this sample: the two were exchanged or copied"
    ]


@pytest.mark.source("IUPAC2021")
def test_the_degree_of_a_reading_is_what_was_written_or_counted(
    load_case: Callable[[Path], SampleTable], tmp_path: Path
) -> None:
    """One drop of a kit for German degrees is worth 17.848 mg/L as CaCO3."""
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(
        "sample_id,analyte,value,raw_unit,uncertainty,degree_per_drop\n1,total_hardness,154.1,gpg,8,\n"
        "2,total_hardness,154.1,mg/L,8,\n3,total_hardness,160.6,,17,17.848\n",
        encoding="utf-8",
    )

    assert degree_typed(load_case(sheet), "total_hardness").tolist() == [2, -1, 0]
