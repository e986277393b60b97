"""One mistake in a whole file is found once and told once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.chemistry.conductance import expected

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.explain.tables import Explained
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


@pytest.mark.common_practice
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


@pytest.mark.common_practice
def test_a_meter_that_logs_in_ms_is_named_by_its_instrument(
    waters: Builder, explained: Explainer, file: dict[str, list[float]]
) -> None:
    """1 mS/cm = 1000 µS/cm. The instrument's rows lie in twelve files, so no file can tell."""
    log = {**file, "ec": [value / 1000.0 for value in file["ec"]]}

    found = explained(waters(**log, instrument="EC-07", file_sha256=[f"f{row}" for row in range(ROWS)]))

    pattern = found.patterns.iloc[0]
    assert (pattern["scope"], pattern["file_sha256"]) == ("instrument EC-07", "")
    assert (pattern["mistake"], pattern["analyte"], pattern["detail"]) == ("wrong-unit", "conductivity", "mS/cm")


def kit_file(counted: Builder, degree: float, said: float, rows: int = 12) -> SampleTable:
    """Count hardness and alkalinity of waters of 104 µS/cm per meq/L of hardness and a fifth for other salts."""
    random = np.random.default_rng(5)
    hardness = np.exp(random.normal(np.log(200.0), 0.4, rows))
    counts: list[dict[str, float | str]] = []
    for row, value in enumerate(hardness):
        for code, amount, real in (("total_hardness", value, degree), ("alkalinity", 0.75 * value, 17.848)):
            worth = said if code == "total_hardness" else 17.848
            counts.append(
                {"sample_id": str(row), "analyte": code, "drops": float(np.ceil(amount / real)), "degree": worth,
                 "nominal": 10.0, "used": 10.0}
            )  # fmt: skip
        counts.append({"sample_id": str(row), "analyte": "conductivity", "value": 1.2 * 104.0 * value / 50.04})
    about = pd.DataFrame({"file_sha256": "f"}, index=pd.Index([str(row) for row in range(rows)], name="sample_id"))
    return counted(counts, about)


@pytest.mark.common_practice
def test_a_kit_of_another_degree_is_told_for_the_whole_file(counted: Builder, explained: Explainer) -> None:
    """Counted in °f (10 mg/L), written down in °dH (17.848): no single count is impossible, twelve are."""
    right = explained(kit_file(counted, 17.848, 17.848)).patterns
    wrong = explained(kit_file(counted, 10.0, 17.848)).patterns

    assert right.empty
    assert len(wrong) == 1
    row = wrong.iloc[0]
    assert (row["mistake"], row["analyte"], row["detail"]) == ("wrong-unit", "total_hardness", "°f")


@pytest.mark.source("ISO7888")
def test_rows_that_show_nothing_do_not_hide_a_meter_that_does_not_compensate(
    waters: Builder, explained: Explainer, file: dict[str, list[float]]
) -> None:
    """Two of three samples at 12 °C, the meter without compensation: f25(12 °C) = 1.346; the others were at 24 °C."""
    cold = np.arange(ROWS) % 3 > 0
    shown = np.where(cold, np.array(file["ec"]) / 1.346, file["ec"]).tolist()

    found = explained(waters(**{**file, "ec": shown}, temperature=np.where(cold, 12.0, 24.0).tolist(), file_sha256="f"))

    assert len(found.patterns) == 1
    assert found.patterns["mistake"].item() == "not-temperature-compensated"
    assert "records that can tell" in found.patterns["message"].item()


@pytest.mark.source("ISO7888")
def test_a_low_conductivity_that_does_not_follow_the_temperature_was_compensated(
    waters: Builder, explained: Explainer
) -> None:
    """A river of 5 to 21 °C, 89 µS/cm per meq/L of its ions at every temperature: f25 would fall from 1.63 to 1.09."""
    random, rows = np.random.default_rng(3), 39
    bicarbonate, sulfate = (
        middle * np.exp(wide * random.normal(size=rows)) for middle, wide in ((160, 0.1), (40, 0.2))
    )
    meq = bicarbonate / 61.017 + sulfate / 48.031
    ions = {"ca": 0.85 * 20.04 * meq, "mg": 0.15 * 12.15 * meq, "hco3": bicarbonate, "so4": sulfate}
    ions["th"] = 2.497 * ions["ca"] + 4.118 * ions["mg"]
    read = {**ions, "ec": 89.0 * meq * np.exp(0.04 * random.normal(size=rows)), "temperature": np.linspace(5, 21, rows)}

    found = explained(waters(**{name: values.tolist() for name, values in read.items()}, ph=8.0, file_sha256="f"))

    assert found.patterns.empty


@pytest.mark.common_practice
def test_what_fits_a_file_as_well_is_told_with_it(
    waters: Builder, explained: Explainer, file: dict[str, list[float]]
) -> None:
    """A tenth of the alkalinity in every row: °f read as mg/L (10 mg/L each), or a digit lost; no number can tell."""
    rest = {name: values for name, values in file.items() if name != "hco3"}
    tenth = [value / 1.21928 / 10.0 for value in file["hco3"]]

    found = explained(waters(**rest, alk=tenth, file_sha256="f"))

    assert found.patterns["mistake"].item() in ("wrong-unit", "factor-ten")
    assert "Fits nearly as well: " in found.patterns["message"].item()


@pytest.mark.common_practice
def test_a_few_wrong_rows_are_no_pattern(waters: Builder, explained: Explainer, file: dict[str, list[float]]) -> None:
    """Three rows of twelve in mS/m, or four hardnesses 1.785 times too high: theirs, not the file's."""
    some = [value / 10.0 if row < 3 else value for row, value in enumerate(file["ec"])]
    hardness = [2.497 * ca + 4.118 * mg for ca, mg in zip(file["ca"], file["mg"], strict=True)]
    kit = {
        "th": [1.785 * value if row < 4 else value for row, value in enumerate(hardness)],
        "alk": [value / 1.21928 for value in file["hco3"]],
        "ec": file["ec"],
    }

    assert explained(waters(**{**file, "ec": some}, file_sha256="f")).patterns.empty
    assert explained(waters(**kit, file_sha256="f")).patterns.empty
