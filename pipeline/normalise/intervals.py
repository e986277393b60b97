"""Cells that state how far a reading is known: "81,2 ± 3,1", "12–18 °dH"; and the marks of their footnotes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.normalise import numbers
from pipeline.normalise.titration import RECTANGULAR
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from pipeline.arrays import Flags, Floats, Places

_EXPANDED: Final = 2.0  # of an expanded uncertainty, and of what a report writes behind "±" [JCGM100, 6.3.3; CP]
_MIDDLE: Final = "a range; the value is its middle"
_STATED: Final = "uncertainty as stated"
_FOOTNOTE: Final = "footnote mark"


def with_intervals(read: pd.DataFrame, table: Places, marks: Sequence[str]) -> pd.DataFrame:
    """Read the upper ends of ranges and the uncertainties that stand with numbers.

    Parameters
    ----------
    read : numbers as ``numbers.parse_numbers`` gives them; the number of a range is its lower end.
    table, marks : table of each cell, and the decimal mark of each table.

    Returns
    -------
    A new frame; the number of a range is its middle, with `half` of its width; `spread` is a number [unit of the
    cell]. A range that does not rise, or has a sign of its own, is a problem. The frame as it was if there is neither.
    """
    ranged = TextColumn.from_series(read["upper"]).stated()
    spread = TextColumn.from_series(read["spread"]).stated()
    if not (ranged.any() or spread.any()):
        return read
    number = read["number"].to_numpy(copy=True)
    upper = _figures(read["upper"], ranged, table, marks)
    rising = ranged & (upper > number) & ~TextColumn.from_series(read["qualifier"]).isin(["<", ">"])
    half = np.where(rising, (upper - number) / 2.0, np.nan)
    number[rising] += half[rising]
    number[ranged & ~rising] = np.nan
    sizes = _figures(read["spread"], spread, table, marks)
    percent = TextColumn.from_series(read["spread"]).mask(lambda text: text.endswith("%"))
    return read.assign(
        number=number,
        half=half,
        spread=np.where(percent, np.abs(number) * sizes / 100.0, sizes),
        qualifier=TextColumn.from_series(read["qualifier"]).where(rising, "~").category(),
        problem=TextColumn.from_series(read["problem"]).noted(ranged & ~rising, "range-not-reading").category(),
    )


def _figures(texts: pd.Series, stated: Flags, table: Places, marks: Sequence[str]) -> Floats:
    """Read the numbers that stand with others, by the decimal mark of their table; missing where none stands."""
    found = np.full(len(texts), np.nan)
    if stated.any():
        styles = [numbers.NumberStyle(mark) for mark in marks]
        read, _ = numbers.parse_numbers(texts[stated].astype("str"), table[stated], styles)
        found[stated] = read["number"].to_numpy()
    return found


def with_stated_bounds(table: pd.DataFrame, read: pd.DataFrame, factor: Floats) -> pd.DataFrame:
    """Give readings the bounds and the uncertainty that their cells state, and note the marks of footnotes.

    Parameters
    ----------
    table : readings in the making, values converted by ``factor``.
    read : numbers as ``with_intervals`` gives them.
    factor : (n,) from the unit of the cell to that of the reading.

    Returns
    -------
    A new table with `value_low value_high uncertainty note` of those readings; the table as it was if there are none.

    Notes
    -----
    A truth anywhere in a range of half width a has u = a/√3; U = 2u = 1.15 a covers the range [JCGM100, 4.3.7].
    """
    marks = TextColumn.from_series(read["mark"])
    if "half" not in read and not any(marks.texts):
        return table
    note = TextColumn.from_series(table["note"])
    for mark in sorted({*marks.texts} - {""}):
        note = note.extended(marks.isin([mark]), f"{_FOOTNOTE} {mark}")
    if "half" not in read:
        return table.assign(note=note.category())
    half, spread = (np.abs(read[name].to_numpy() * factor) for name in ("half", "spread"))
    ranged, value = ~np.isnan(half), table["value"].to_numpy()
    uncertain = np.where(ranged, _EXPANDED * RECTANGULAR * half, spread)
    note = note.extended(ranged, _MIDDLE).extended(~np.isnan(spread), _STATED)
    return table.assign(
        value_low=np.where(ranged, value - half, table["value_low"]),
        value_high=np.where(ranged, value + half, table["value_high"]),
        uncertainty=np.where(np.isnan(uncertain), table["uncertainty"], uncertain),
        note=note.category(),
    )
