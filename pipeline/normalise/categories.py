"""Category columns handled by their few categories instead of their many rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.ingest.categories import first_rows, numbered
from pipeline.problems import PROBLEMS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.arrays import Flags, Places


NO_PROBLEM: Final = 0
_PROBLEM_CODES: Final[list[str]] = ["", *PROBLEMS]


def category(codes: npt.NDArray[np.integer[Any]], names: Sequence[str]) -> pd.Categorical[Any]:
    """Build a category column from positions in ``names``."""
    categories: pd.Index[str] = pd.Index(list(names), dtype="str")
    return pd.Categorical.from_codes(pd.Series(codes), categories=categories)


def by_category(column: pd.Series, function: Callable[[str], object]) -> npt.NDArray[Any]:
    """Evaluate a function once per category and spread the answers over the rows; a gap counts as ""."""
    answers = np.array([function(str(name)) for name in (*column.cat.categories, "")])
    return np.asarray(answers[column.cat.codes.to_numpy()])


def no_problems_yet(rows: int) -> pd.Categorical[Any]:
    """Give a column that says of every cell that it has no problem so far."""
    return category(np.zeros(rows, dtype="int8"), _PROBLEM_CODES)


def flagged(problem: pd.Series | pd.Categorical[Any], where: Flags, code: str) -> pd.Categorical[Any]:
    """Note a problem where there is none yet; the first one found stays."""
    codes = np.array(pd.Series(problem).cat.codes, dtype="int8")
    codes[where & (codes == NO_PROBLEM)] = _PROBLEM_CODES.index(code)
    return category(codes, _PROBLEM_CODES)


def overlaid(
    problem: pd.Series | pd.Categorical[Any], other: pd.Series | pd.Categorical[Any], where: Flags
) -> pd.Categorical[Any]:
    """Take the problems of another column at the places of a mask, where there is none yet."""
    codes = np.array(pd.Series(problem).cat.codes, dtype="int8")
    found = by_category(pd.Series(other), _PROBLEM_CODES.index).astype("int8")
    open_places = where & (codes == NO_PROBLEM)
    codes[open_places] = found[open_places]
    return category(codes, _PROBLEM_CODES)


def set_where(column: pd.Series, where: Flags, text: str) -> pd.Categorical[Any]:
    """Replace a category column's text at the places of a mask."""
    names = [str(name) for name in column.cat.categories]
    names += [text] if text not in names else []
    codes = np.array(column.cat.codes, dtype="int32")
    codes[where] = names.index(text)
    return category(codes, names)


def add_where(column: pd.Series, where: Flags, text: str) -> pd.Categorical[Any]:
    """Add a text at the places of a mask; what stands there already is kept before it."""
    codes = np.array(column.cat.codes, dtype="int32")
    names = [str(name) for name in column.cat.categories]
    for old in np.unique(codes[where]):
        joined = f"{names[old]}; {text}" if old >= 0 and names[old] else text
        if joined not in names:
            names.append(joined)
        codes[where & (codes == old)] = names.index(joined)
    return category(codes, names)


def combined(columns: Sequence[pd.Series], flags: Sequence[Flags] = ()) -> tuple[Places, Places]:
    """Give each distinct combination of category columns and flags a number.

    Returns
    -------
    code : (n,) number of the combination of each row.
    first : (k,) a row of each combination.
    """
    coded = [(column.cat.codes.to_numpy() + 1, len(column.cat.categories) + 1) for column in columns]
    code = numbered([*coded, *((flag.astype("int8"), 2) for flag in flags)])
    return code, first_rows(code)
