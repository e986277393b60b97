"""How long a bottle waited before it was analysed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.checks import record
from pipeline.checks.registry import check
from pipeline.reference import records
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable

_A_DAY = 1.0  # what days without a time of day can hide


@check(
    "holding-time",
    title="A bottle is analysed before its water changes",
    source="CFR136",
    severity="note",
    unit="days",
    message="{analyte} was analysed {observed:1} days after sampling; {high:0} are allowed. {alternative}.",
)
def holding_time(samples: SampleTable) -> Cases:
    """Compare the days from sampling to analysis with what each quantity bears.

    Nitrate is eaten, alkalinity is lost with carbon dioxide and lime; a bottle that waited tells of the bottle.

    Parameters
    ----------
    samples : `collected_at`, `analysed_on`, and readings of a laboratory.

    Returns
    -------
    one row per sample and quantity with both days; `observed` the days between.

    Notes
    -----
    Longest times in ``reference/holding_times.csv`` [CFR136, table II]. A day more is allowed, because days are often
    stated without a time. pH and chlorine are read on site and are not looked at here.
    """
    allowed = {str(row["analyte"]): float(row["days"]) for row in records("holding_times")}
    waited = record.days(samples.once(record.instants, "analysed_on"), samples.once(record.instants, "collected_at"))
    place = samples.once(record.positions)
    analyte, method = (samples.once(record.said, name) for name in ("analyte", "method"))
    limit = np.array([allowed.get(text, np.nan) for text in analyte.texts], dtype="float64")[analyte.codes]
    chosen = np.flatnonzero((place >= 0) & ~np.isnan(limit) & method.isin(["laboratory"]))
    chosen = chosen[~np.isnan(waited[place[chosen]])]
    return {
        "place": place[chosen],
        "analyte": analyte.take(chosen),
        "observed": waited[place[chosen]],
        "low": np.nan,
        "high": limit[chosen] + _A_DAY,
        "alternative": TextColumn.constant("Take it with care, or ask for a fresh bottle", len(chosen)),
    }
