"""Hold one reading against an attention and an act limit, and word what was found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.clauses import clause, joined
from pipeline.chemistry.equivalents import numbers

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.arrays import Codes, Flags, Floats
    from pipeline.normalise.sample_table import SampleTable

LEVELS = ("fine", "attention", "act")


@dataclass(frozen=True)
class Rule:
    """One reading against its limits.

    ``above``: too much is bad; else too little. ``why`` follows the number in the sentence.
    """

    name: str
    readings: Floats
    attention: float
    act: float
    unit: str
    why: str
    above: bool = True
    digits: int = 0
    applies: Flags | None = None

    def level(self) -> Codes:
        """Place in `LEVELS` of each value; -1 where missing or not asked."""
        sign = 1.0 if self.above else -1.0
        level = (sign * self.readings > sign * self.attention).astype("int64")
        level += sign * self.readings > sign * self.act
        asked = ~np.isnan(self.readings)
        asked &= True if self.applies is None else self.applies
        return np.where(asked, level, -1).astype("int64")


def reading_for(samples: SampleTable, name: str, limit: float, *, above: bool = True) -> Floats:
    """Give a column as read, or the bound of a "<" or ">" where that bound decides about ``limit``.

    Parameters
    ----------
    samples : the filled table.
    name : canonical column.
    limit : the first limit the reading will be held against.
    above : whether too much is bad; else too little.

    Returns
    -------
    (n,) reading; missing where there is none, or where "<" leaves the question open.
    """
    value, low, high = (numbers(frame, name) for frame in (samples.filled, samples.low, samples.high))
    if above:
        bound = np.where(high <= limit, high, np.where(np.isnan(high), low, np.nan))
    else:
        bound = np.where(high < limit, high, np.where(low >= limit, low, np.nan))
    return floats(np.where(np.isnan(value), bound, value))


def apply(rules: Iterable[Rule], index: pd.Index) -> pd.DataFrame:
    """Apply rules to the samples.

    Parameters
    ----------
    rules : each with (n,) values in the order of ``index``.
    index : of the samples.

    Returns
    -------
    (n, 2) frame: ``level``, place in `LEVELS` of the worst rule, and ``notes``, one clause per rule that
    is not fine, "; " between them.
    """
    level = np.zeros(len(index), dtype="int64")
    notes = []
    for rule in rules:
        own = rule.level()
        level = np.maximum(level, own)
        side = "above" if rule.above else "below"
        for step, limit in ((1, rule.attention), (2, rule.act)):
            number = f"{rule.name} {{value:{rule.digits}}}{rule.unit}"
            words = f"{number} ({LEVELS[step]} {side} {limit:g}): {rule.why}"
            if (own == step).any():
                notes.append(clause(words, own == step, {"value": rule.readings}))
    return pd.DataFrame({"level": level, "notes": joined(notes, index)}, index=index)
