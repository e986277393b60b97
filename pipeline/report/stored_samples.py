"""Samples of the store as the checks saw them, with the decisions of people applied."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.normalise.derived import fill
from pipeline.normalise.sample_table import SampleTable, widen
from schemas.columns import ANALYTES, COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from pipeline.store.database import Store


def rebuild(store: Store, sample_ids: Sequence[str]) -> SampleTable:
    """Lay stored samples out again: readings with their uncertainty, corrections in place of what they correct.

    Parameters
    ----------
    store : open.
    sample_ids : the samples; the result has them in the order of their sampling.

    Returns
    -------
    the filled table.
    """
    from pipeline.store import read  # noqa: PLC0415 - duckdb is not needed by the other reports

    about = read.samples(store, sample_ids).set_index("sample_id")
    readings = read.prior_readings(store, sample_ids)
    counting = _corrected(readings[readings["counts"]], about)
    return fill(widen(about.drop(columns=[name for name in COLUMNS if name in about]), counting))


def _corrected(readings: pd.DataFrame, about: pd.DataFrame) -> pd.DataFrame:
    corrected = about[about["corrected"] != ""]
    for sample_id in [str(name) for name in corrected.index]:
        for code in str(corrected["corrected"][sample_id]).split():
            own = (readings["sample_id"] == sample_id) & (readings["analyte"] == code)
            value = float(about[ANALYTES[code].column].astype("float64")[sample_id])
            for name in ("value", "value_low", "value_high"):
                readings = readings.assign(**{name: readings[name].where(~own, value)})
    return readings
