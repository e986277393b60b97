"""Two mistakes in one record, and decimal signs lost in several numbers of a row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pipeline.chemistry.conductance import expected

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.explain.tables import Explained
    from pipeline.normalise.sample_table import SampleTable

# Cations 5.25, anions 5.25 meq/L.
WATER = {"ca": 62.0, "mg": 14.0, "na": 22.0, "k": 2.0, "hco3": 232.9, "cl": 30.0, "so4": 25.0, "no3": 4.4, "ph": 7.6}


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("factors", "mistake", "analytes"),
    [
        ({"ca": 10.0, "cl": 10.0}, "factor-ten", {"calcium", "chloride"}),
        ({"ca": 10.0, "mg": 10.0, "cl": 10.0}, "factor-ten", {"calcium", "magnesium", "chloride"}),
        ({"ec": 0.001, "mg": 10.0}, "wrong-unit", {"conductivity", "magnesium"}),
        ({"ca": 10.0}, "factor-ten", {"calcium"}),
    ],
)
def test_what_no_single_mistake_explains_is_named_as_several(
    waters: Callable[..., SampleTable],
    explained: Callable[..., Explained],
    factors: dict[str, float],
    mistake: str,
    analytes: set[str],
) -> None:
    """Numbers times the factors; undone together they give the water back."""
    conducts = expected(waters(**WATER).filled)["conductivity_us_cm_25c"].item()
    written = {name: value * factors.get(name, 1.0) for name, value in {**WATER, "ec": conducts}.items()}

    top = explained(waters(**written)).explanations.iloc[0]

    named = {top["analyte"], top["other_analyte"], *(name for name in analytes if name in top["detail"])} - {""}
    assert (top["mistake"], named) == (mistake, analytes)
    assert top["probability"] > 0.5
