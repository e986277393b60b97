"""Public tables go through whole: every entry accepted or set aside with a reason.

Sources: result files of the Water Quality Portal as the `dataretrieval` package keeps them for its own
tests; the rivers Rhône and Doubs as Debian's `r-cran-ade4` carries them (Carrel et al. 1986, Verneaux
1973, cited by that package). Fetched by ``python tests/open_data/fetch.py FOLDER``, never committed.
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rdata

from pipeline.intake import run
from pipeline.problems import PROBLEMS
from pipeline.settings import Settings

FOLDER = os.environ.get("KETTLESTONE_OPEN_DATA", "")
pytestmark = [
    pytest.mark.open_data,
    pytest.mark.skipif(
        not FOLDER,
        reason="public data not fetched: python tests/open_data/fetch.py FOLDER, then KETTLESTONE_OPEN_DATA=FOLDER",
    ),
]


def imported(path: Path, out: Path) -> tuple[dict[str, Any], pd.DataFrame]:
    """Run the main job on one file; give the summary and the samples."""
    finished = run([path], Settings(out=out, store=out / "kettlestone.duckdb"))
    return finished.summary, pd.read_csv(finished.folder / "samples.csv", dtype={"label": "str"})


def table(name: str, part: str) -> pd.DataFrame:
    """Read one table of the R package."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # the file does not name its encoding
        found: pd.DataFrame = rdata.read_rda(Path(FOLDER) / f"{name}.rda")[name][part]
    return found


@pytest.mark.source("WQX3")
@pytest.mark.parametrize("name", ["wqp_results.txt", "wqp3_results.txt", "samples_results.txt"])
def test_portal_results_go_through_whole(name: str, tmp_path: Path) -> None:
    summary, _ = imported(Path(FOLDER) / name, tmp_path)

    entries = summary["entries"]
    assert entries["read"] == entries["accepted"] + entries["set_aside"] > 0
    assert entries["accepted"] > 0
    problems = [*summary["set_aside"], *summary["notices"]]
    assert {problem["problem"] for problem in problems} <= set(PROBLEMS)
    assert all(problem["message"].strip() for problem in problems)


def test_the_hardness_of_the_rhone_is_that_of_its_calcium_and_magnesium(tmp_path: Path) -> None:
    """39 dates; the published hardness against 2.4973 Ca + 4.1180 Mg, to 0.3 %."""
    rhone = table("rhone", "tab")
    named = {
        "wat.temp": "Temperature (°C)",
        "conduc": "Conductivity (µS/cm)",
        "pH": "pH",
        "caco3": "Total hardness (mg/l CaCO3)",
        "totca": "Calcium (mg/l)",
        "mg": "Magnesium (mg/l)",
        "so4": "Sulfate (mg/l)",
        "hco3": "Bicarbonate (mg/l)",
    }
    sheet = rhone[list(named)].rename(columns=named)
    sheet.insert(0, "Sample", [f"R{number}" for number in rhone.index])
    path = tmp_path / "rhone.csv"
    sheet.to_csv(path, index=False)

    summary, samples = imported(path, tmp_path / "out")

    assert summary["entries"]["read"] == summary["entries"]["accepted"] == int(rhone[list(named)].notna().sum().sum())
    assert len(samples) == len(rhone)
    expected = 2.4973 * samples["calcium_mg_l"] + 4.1180 * samples["magnesium_mg_l"]
    ratio = samples["total_hardness_mg_l_caco3"] / expected
    assert np.abs(ratio - 1.0).max() < 0.003
    checks = {check["check_id"]: check for check in summary["checks"]}
    assert (checks["hardness-sum"]["evaluated"], checks["hardness-sum"]["flagged"]) == (len(rhone), 0)
    held = samples.loc[samples["verdict"] == "hold", "label"]
    assert held.tolist() == ["R3"]  # 74 µS/cm per meq/L, where 92 are usual


def test_the_ph_of_the_doubs_is_found_ten_times_too_large(tmp_path: Path) -> None:
    """The table stores 79 for pH 7.9 in all of its 30 rows: one question about the source."""
    doubs = table("doubs", "env")
    sheet = pd.DataFrame(
        {
            "Sample": [f"D{number}" for number in doubs.index],
            "pH": doubs["pH"].astype("int64"),
            "Calcium (mg/l)": doubs["har"].astype("int64"),
        }
    )
    path = tmp_path / "doubs.csv"
    sheet.to_csv(path, index=False)

    summary, samples = imported(path, tmp_path / "out")

    assert summary["entries"] == {"read": 60, "accepted": 60, "set_aside": 0}
    assert set(samples["verdict"]) == {"reject"}
    about_source = [finding for finding in summary["source_findings"] if finding["check_id"] == "out-of-physical-range"]
    assert len(about_source) == 1
    assert "lost decimal mark (÷ 10)" in about_source[0]["message"]
