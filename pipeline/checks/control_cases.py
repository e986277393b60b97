"""Failed controls as the rows of a check: the control itself, and every water that stands on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.control_rows import stands_on
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES, OTHER_ANALYTES

if TYPE_CHECKING:
    from pipeline.checks.columns import CaseColumn
    from pipeline.checks.control_rows import ControlRow
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class ControlLimits:
    """Limits of laboratory control."""

    standard_percent: tuple[float, float] = (90.0, 110.0)  # recovery of a check standard [APHA1020]
    spike_percent: tuple[float, float] = (80.0, 120.0)  # recovery of a spike [APHA1020]
    near_loq: float = 5.0  # times LOQ: below, duplicates are compared in the unit and not in percent [CP]
    blank_share: float = 0.1  # of a sample's value: a blank below does not touch it [CP]
    conductivity_percent: float = 3.0  # of a conductivity standard [CP]
    buffer_ph: float = 0.1  # of a buffer [CP]
    slope_percent: tuple[float, float] = (90.0, 105.0)  # of the electrode, between two buffers [CP]
    least_span: float = 1.0  # pH between two buffers that tell a slope [CP]
    added_share: tuple[float, float] = (0.2, 3.0)  # found over added: outside, something else was added [CP]


def control_table(rows: list[ControlRow]) -> pd.DataFrame:
    """Lay the readings of controls out as a frame; ``why`` names the control, for all that stand on it as well."""
    table = pd.DataFrame([vars(one) for one in rows], columns=list(_COLUMNS))
    day = (" of " + table["day"]).where(table["day"] != "", "")
    return table.assign(why=table["called"] + day).astype({"place": "int64", "parent": "int64"})


_COLUMNS: Final = (
    "place", "kind", "called", "analyte", "value", "figure", "true", "added", "parent", "parent_value", "temperature_c",
    "day", "instrument", "method",
)  # fmt: skip


def fails(found: pd.DataFrame) -> np.ndarray:
    """Tell the controls whose `observed` lies outside `low` to `high`."""
    return np.asarray((found["observed"] < found["low"]) | (found["observed"] > found["high"]))


def touched_waters(samples: SampleTable, found: pd.DataFrame, *, outside: np.ndarray) -> pd.DataFrame:
    """Repeat the row of every failed control for each water that stands on it."""
    failed = found[outside].reset_index(drop=True)
    touched = stands_on(samples, failed)
    repeated = failed.take(touched["row"].to_numpy()).reset_index(drop=True)
    return repeated.assign(place=touched["place"].to_numpy(), water=touched["value"].to_numpy())


def touched_parents(found: pd.DataFrame) -> pd.DataFrame:
    """Repeat the rows of failed spikes and duplicates for the waters they were made from."""
    failed = found[fails(found)]
    return failed.assign(place=failed["parent"], water=failed["parent_value"])


def control_cases(samples: SampleTable, found: pd.DataFrame, touched: pd.DataFrame) -> dict[str, CaseColumn]:
    """Lay the controls and the waters they touch under one another as the rows of a check."""
    both = pd.concat([found, touched], ignore_index=True)
    evaluated = np.zeros(len(samples), dtype="bool")
    evaluated[found.loc[found["observed"].notna(), "place"].to_numpy(dtype="int64")] = True
    evaluated[stands_on(samples, found[["place", "analyte"]])["place"].to_numpy()] = True
    kept = {name: both[name].to_numpy() for name in both.columns if name not in _INNER}
    return {
        **kept,
        "place": both["place"].to_numpy(dtype="int64"),
        "analyte": TextColumn(
            np.array([_QUANTITIES.index(code) for code in both["analyte"]], dtype="int64"), _QUANTITIES
        ),
        "evaluated": evaluated,
    }


_QUANTITIES: Final = (*ANALYTES, *OTHER_ANALYTES)
# What stands in the rows and is no evidence.
_INNER: Final = {*_COLUMNS, "water", "off", "file", "day"} - {"true", "added"}


def factor_words(found: pd.DataFrame) -> np.ndarray:
    """Say by which factor each standard would come to its true value; it is suggested and never applied."""
    factor = (found["true"] / found["found"]).to_numpy()
    return np.array(
        [f"A factor of {value:.3f} would bring it there; nothing is applied" for value in factor], dtype=object
    )
