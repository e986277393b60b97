"""The same records the long way round: written as a laboratory's file, read by the main job."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.intake import run
from pipeline.settings import Settings
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pathlib import Path

    from noise import Received

_FORM: Final = {"total_hardness": " as CaCO3", "alkalinity": " as CaCO3", "nitrate": " as NO3", "sulfate": " as SO4",
                "silica": " as SiO2", "bicarbonate": " as HCO3"}  # fmt: skip
_STAGE: Final = {"raw": "Raw", "treated": "Treated"}
_HEADINGS: Final = ("Sample", "Client", "Site", "Date", "Stage", "Treatment", "Parameter", "Result", "Unit")


def write(received: Received, folder: Path) -> None:
    """Write laboratory records as long tables, one file for each of their sources, as they were received."""
    chosen = (received.about["record"] == "laboratory").to_numpy()
    for number, (_, about) in enumerate(received.about[chosen].groupby("file_sha256", sort=False)):
        with (folder / f"report {number}.csv").open("w", encoding="utf-8", newline="") as file:
            sheet = csv.writer(file)
            sheet.writerow(_HEADINGS)
            for sample_id, facts in about.iterrows():
                sheet.writerows(_rows(received, str(sample_id), facts))


def _rows(received: Received, sample_id: str, facts: pd.Series[Any]) -> list[list[str]]:
    head = [facts["label"], facts["client"], facts["site"], f"{facts['collected_at']:%Y-%m-%d}"]
    head += [_STAGE[facts["stage"]], facts["treatment"]]
    rows = []
    for code, number in received.number.loc[sample_id].items():
        if np.isnan(number):
            continue
        unit = str(received.unit.loc[sample_id, code])
        unit += _FORM.get(str(code), "") if unit == "mg/L" else ""
        rows.append([*head, ANALYTES[str(code)].title.removesuffix(" at 25 °C"), f"{number:.10g}", unit])
    return rows


def imported(received: Received, folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Write the records, run the main job over them; give its samples and its explanations by label."""
    source, out = folder / "reports", folder / "out"
    source.mkdir(parents=True)
    write(received, source)
    finished = run([source], Settings(out=out, store=out / "kettlestone.duckdb"))
    samples = pd.read_csv(finished.folder / "samples.csv", dtype={"label": "str"}).set_index("label")
    return samples, pd.read_csv(finished.folder / "explanations.csv", dtype={"label": "str"})
