"""Repeated counts of one sample: how well they agree, and which one is the odd one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.kits import counts
from pipeline.checks.registry import check

if TYPE_CHECKING:
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable


@check(
    "repeat-spread",
    title="Repeated counts of one sample agree",
    source="CP",
    severity="hold",
    unit="drops",
    message="{analyte}: {repeats:0} counts from {fewest:0} to {most:0} drops, {observed:0} apart where "
    "{high:1} is allowed: {alternative}. Repeat the test.",
)
def repeat_spread(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Compare repeated counts of the same quantity in the same sample.

    An overshot end point, a count stopped at the first flash of colour or odd drops all show as spread.

    Parameters
    ----------
    samples : readings of form `drops`; repeats share sample, quantity and worth of a drop.
    limits : ``kits.repeat_drops`` [drops], ``kits.repeat_relative`` [-].

    Returns
    -------
    one row per repeated test; `observed` highest minus lowest count.

    Notes
    -----
    allowed = max(1 drop, 10 % of the mean count) [CP].
    """
    counted = counts(samples.readings)
    keys = ["sample_id", "analyte", "step"]
    repeated = counted[counted.duplicated(keys, keep=False)]
    groups = repeated.groupby(keys, as_index=False, observed=True)["drops"].agg(
        ["count", "min", "median", "max", "mean"]
    )
    middle = (groups["min"] + groups["max"]) / 2
    several = groups["count"] > 2  # noqa: PLR2004 -- of two counts neither is the odd one
    return pd.DataFrame(
        {
            "sample_id": groups["sample_id"],
            "analyte": groups["analyte"],
            "observed": groups["max"] - groups["min"],
            "low": np.nan,
            "high": np.maximum(limits.kits.repeat_drops, limits.kits.repeat_relative * groups["mean"]),
            "repeats": groups["count"].astype("float64"),
            "fewest": groups["min"],
            "most": groups["max"],
            "step": groups["step"],
            "alternative": record.first_that_holds(
                groups.index,
                {
                    "one count ran past the end point": several & (groups["median"] < middle),
                    "one count stopped at the first change of colour": several & (groups["median"] > middle),
                    "which count is right cannot be told": np.ones(len(groups), dtype="bool"),
                },
            ),
        }
    )
