"""Repeated counts of one sample: how well they agree, and which one is the odd one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.checks.columns import first_that_holds
from pipeline.checks.kits import KitLimits, drop_counts
from pipeline.checks.registry import check
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@check(
    "repeat-spread",
    title="Repeated counts of one sample agree",
    source="CP",
    limits=KitLimits,
    severity="hold",
    unit="drops",
    message="{analyte}: {repeats:0} counts from {fewest:0} to {most:0} drops, {observed:0} apart where "
    "{high:1} is allowed: {alternative}. Repeat the test.",
)
def repeat_spread(samples: SampleTable, limits: KitLimits) -> Cases:
    """Compare repeated counts of the same quantity in the same sample.

    An overshot end point, a count stopped at the first flash of colour or odd drops all show as spread.

    Parameters
    ----------
    samples : readings of form `drops`; repeats share sample, quantity and worth of a drop.
    limits : ``repeat_drops`` [drops], ``repeat_relative`` [-].

    Returns
    -------
    one row per repeated test; `observed` highest minus lowest count.

    Notes
    -----
    allowed = max(1 drop, 10 % of the mean count) [CP].
    """
    counted = samples.once(drop_counts)
    keys = np.column_stack([counted.place, counted.analyte.codes, counted.step, counted.drops])
    keys = keys[~np.isnan(keys).any(axis=1)]
    keys = keys[np.lexsort(keys.T[::-1])]
    starts = np.flatnonzero(np.append(True, (keys[1:, :-1] != keys[:-1, :-1]).any(axis=1))[: len(keys)])
    size = np.diff(np.append(starts, len(keys)))
    starts, size = starts[size > 1], size[size > 1]
    place, analyte, step, fewest = keys[starts].T
    drops = keys[:, -1]
    most = drops[starts + size - 1]
    median = (drops[starts + (size - 1) // 2] + drops[starts + size // 2]) / 2
    total = np.append(0.0, np.cumsum(drops))
    mean = (total[starts + size] - total[starts]) / size
    middle, several = (fewest + most) / 2, size > 2  # noqa: PLR2004 -- of two counts neither is the odd one
    answers = {
        "one count ran past the end point": several & (median < middle),
        "one count stopped at the first change of colour": several & (median > middle),
        "which count is right cannot be told": np.ones(len(size), dtype="bool"),
    }
    return {
        "place": place.astype("intp"),
        "analyte": TextColumn(analyte.astype("intp"), counted.analyte.texts),
        "observed": most - fewest,
        "low": np.nan,
        "high": np.maximum(limits.repeat_drops, limits.repeat_relative * mean),
        "repeats": size.astype("float64"),
        "fewest": fewest,
        "most": most,
        "step": step,
        "alternative": first_that_holds(len(size), answers),
    }
