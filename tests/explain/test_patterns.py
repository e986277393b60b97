"""One mistake in a whole file is found once and told once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline.chemistry.conductance import expected

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.explain.rank import Explained
    from pipeline.normalise.sample_table import SampleTable

    Builder = Callable[..., SampleTable]
    Explainer = Callable[..., Explained]

ROWS = 12


@pytest.fixture(scope="module")
def file(waters: Builder) -> dict[str, list[float]]:
    """Give twelve balanced analyses whose conductivity follows from the ions [MNR2012]."""
    random = np.random.default_rng(3)
    medians = {"ca": 60.0, "mg": 10.0, "na": 12.0, "k": 2.0, "cl": 15.0, "so4": 20.0, "no3": 8.0}
    ions = {name: value * np.exp(random.normal(0, 0.35, ROWS)) for name, value in medians.items()}
    cations = ions["ca"] / 20.039 + ions["mg"] / 12.153 + ions["na"] / 22.990 + ions["k"] / 39.098
    anions = ions["cl"] / 35.453 + ions["so4"] / 48.031 + ions["no3"] / 62.005
    ions["hco3"] = (cations - anions) * 61.017
    exact = waters(**{name: values.tolist() for name, values in ions.items()}).filled
    ions["ec"] = expected(exact)["conductivity_us_cm_25c"].to_numpy()
    return {name: values.tolist() for name, values in ions.items()}


@pytest.mark.source("MNR2012")
def test_a_file_without_a_mistake_has_no_pattern(
    waters: Builder, explained: Explainer, file: dict[str, list[float]]
) -> None:
    found = explained(waters(**file, file_sha256="f"))

    assert found.patterns.empty
    assert not found.explanations["pattern"].any()


@pytest.mark.source("IUPAC2021")
def test_a_column_headed_hco3_that_holds_caco3_is_one_question(
    waters: Builder, explained: Explainer, file: dict[str, list[float]]
) -> None:
    """Alkalinity as CaCO3 = bicarbonate/1.2193."""
    found = explained(waters(**{**file, "hco3": [value / 1.21928 for value in file["hco3"]]}, file_sha256="f"))

    pattern = found.patterns.iloc[0]
    assert (pattern["mistake"], pattern["analyte"], pattern["detail"]) == ("wrong-basis", "bicarbonate", "as CaCO3")
    assert (pattern["samples"], pattern["share"] >= 0.8, len(found.patterns)) == (ROWS, True, 1)
    first = found.explanations[found.explanations["rank"] == 1]
    assert first["pattern"].all()
    assert "whole of this file" in pattern["message"]


@pytest.mark.source("CP")
@pytest.mark.parametrize(
    ("change", "mistake", "analyte"),
    [
        ({"na": "k", "k": "na"}, "swapped-analytes", "sodium"),
        ({"ca": "mg", "mg": "ca"}, "swapped-analytes", "calcium"),
    ],
)
def test_columns_mapped_to_each_other_are_found(
    waters: Builder,
    explained: Explainer,
    file: dict[str, list[float]],
    change: dict[str, str],
    mistake: str,
    analyte: str,
) -> None:
    found = explained(waters(**{**file, **{to: file[source] for to, source in change.items()}}, file_sha256="f"))

    assert (found.patterns["mistake"].iloc[0], found.patterns["analyte"].iloc[0]) == (mistake, analyte)


@pytest.mark.source("CP")
def test_a_meter_that_logs_in_ms_is_named_by_its_instrument(
    waters: Builder, explained: Explainer, file: dict[str, list[float]]
) -> None:
    """1 mS/cm = 1000 µS/cm. The instrument's rows lie in twelve files, so no file can tell."""
    log = {**file, "ec": [value / 1000.0 for value in file["ec"]]}

    found = explained(waters(**log, instrument="EC-07", file_sha256=[f"f{row}" for row in range(ROWS)]))

    pattern = found.patterns.iloc[0]
    assert (pattern["scope"], pattern["file_sha256"]) == ("instrument EC-07", "")
    assert (pattern["mistake"], pattern["analyte"], pattern["detail"]) == ("wrong-unit", "conductivity", "mS/cm")
