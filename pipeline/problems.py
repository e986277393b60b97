"""Problems as tables: frames of the kinds of ``problem_catalogue``, and their messages filled column by column."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import KettlestoneError
from pipeline.problem_catalogue import PROBLEMS, Problem
from schemas.tables import PROBLEM_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt
    from pandas.api.extensions import ExtensionArray

# Characters that a message repeats: of a cell, a line of a terminal less the rest of the sentence.
_MOST_SHOWN: Final = {"raw_text": 60, "column": 60, "detail": 240}
_NAME: Final = re.compile(r"\{(\w+)")  # of a column in a template
_PLACES: Final = 3  # decimals of a number whose template asks for none
_SIGNIFICANT: Final = 2  # digits that rounding always leaves
_MOST_PLACES: Final = 12
_NOTHING: Final = 0.5 * 10.0**-_MOST_PLACES
_VAST: Final = 1e15  # from here on a number is written with its power of ten

__all__ = [
    "PROBLEMS",
    "PROBLEM_COLUMNS",
    "KettlestoneError",
    "Problem",
    "fill",
    "filled",
    "messages",
    "no_problems",
    "problem_frame",
]


def problem_frame(
    code: str,
    *,
    file_sha256: pd.Series | str,
    line: pd.Series | int,
    column: pd.Series | str,
    raw_text: pd.Series | str,
    detail: pd.Series | str = "",
    index: pd.Index | None = None,
) -> pd.DataFrame:
    """Put equally coded problems into one frame of PROBLEM_COLUMNS.

    At least one of the arguments is a Series (or ``index`` is given) and sets the length.
    """
    if code not in PROBLEMS:
        raise KeyError(f"{code} is not in the catalogue of problems")
    parts = {"file_sha256": file_sha256, "line": line, "column": column, "raw_text": raw_text, "detail": detail}
    if index is None:
        index = next((part.index for part in parts.values() if isinstance(part, pd.Series)), pd.RangeIndex(1))
    parts["problem"] = code
    return pd.DataFrame(
        {name: _spread(parts[name], len(index), "int32" if name == "line" else "str") for name in PROBLEM_COLUMNS}
    )


def _spread(part: pd.Series | str | int, length: int, kind: Literal["int32", "str"]) -> ExtensionArray:
    """Take the values of a column, or one value for all rows."""
    if isinstance(part, pd.Series):
        return part.astype(kind).array
    return pd.Series([part], dtype=kind).array.take(np.zeros(length, dtype="int64"))


@cache
def no_problems() -> pd.DataFrame:
    """Return an empty frame of PROBLEM_COLUMNS."""
    return problem_frame("number-unreadable", file_sha256="", line=0, column="", raw_text="").iloc[:0]


def messages(problems: pd.DataFrame) -> pd.Series:
    """Render the message of every problem, column by column: what, then what to do, then the code.

    A text of a cell that is longer than a line is shortened here; ``raw_text`` keeps it whole.
    """
    texts, places = [], []
    for code, place in problems.groupby("problem", sort=False, observed=True).indices.items():
        problem = PROBLEMS[str(code)]
        template = f"{problem.what}. {problem.remedy}  [{problem.code}]"
        named = [name for name in _MOST_SHOWN if f"{{{name}}}" in template]
        shown = {name: _shortened(problems[name].iloc[place], _MOST_SHOWN[name]) for name in named}
        texts.append(fill(template, problems.iloc[place, :0], shown))
        places.append(place)
    if not texts:
        return pd.Series("", index=problems.index, dtype="str")
    if len(texts) == 1:
        return texts[0]
    rendered = pd.concat(texts).array.take(np.argsort(np.concatenate(places)))
    return pd.Series(rendered, index=problems.index)


def _shortened(column: pd.Series, most: int) -> pd.Series:
    texts = column.astype("str")
    long = texts.str.len() > most
    return texts.mask(long, texts.str.slice(0, most) + " …") if long.any() else texts


def fill(template: str, frame: pd.DataFrame, values: Mapping[str, pd.Series] | None = None) -> pd.Series:
    """Fill a {name} template with whole columns at a time.

    Names refer to columns of ``frame`` or to ``values``; otherwise as ``filled``.
    """
    given = values or {}
    columns = {name: _plain(given[name] if name in given else frame[name]) for name in _NAME.findall(template)}
    if not columns:
        return pd.Series(template, index=frame.index, dtype="str")
    return pd.Series(filled(template, columns).to_pandas().array, index=frame.index, dtype="str")


def filled(template: str, columns: Mapping[str, npt.NDArray[np.float64] | pa.Array]) -> pa.Array:
    """Fill a {name} template that names at least one column with columns of equal length.

    ``{name:2}`` prints a number with two decimals, more where it is so small that two significant digits
    need them; text is printed as it is, what is missing as "?". The cost is one vectorised join, whatever
    the number of rows.
    """
    pieces: list[pa.Array | pa.Scalar] = []
    rest = template
    while "{" in rest:
        literal, _, rest = rest.partition("{")
        field, _, rest = rest.partition("}")
        name, _, decimals = field.partition(":")
        column = columns[name]
        if isinstance(column, np.ndarray):
            column = _written(column, int(decimals) if decimals else None)
        pieces += [pa.scalar(literal), column]
    return pc.binary_join_element_wise(
        *pieces, pa.scalar(rest), pa.scalar(""), null_handling="replace", null_replacement="?"
    )


def _plain(column: pd.Series) -> npt.NDArray[np.float64] | pa.Array:
    if pd.api.types.is_numeric_dtype(column):
        return column.to_numpy(dtype="float64")
    return pa.array(column.astype("str"), type=pa.string(), from_pandas=True)


def _written(numbers: npt.NDArray[np.float64], decimals: int | None) -> pa.Array:
    """Write numbers with at least ``decimals`` places, and more where two significant digits need them.

    0.66 must not become 1, nor 0.004 become 0.00: a reader would take the message for nonsense. Without
    ``decimals`` as many places as the number has, at most three or those of two significant digits. What has
    more digits than a reader counts is written with its power of ten, and without end as ∞; what is nearer
    to 0 than the most places show is 0.
    """
    numbers = np.where(np.abs(numbers) < _NOTHING, 0.0, numbers)
    vast = np.abs(numbers) >= _VAST
    if vast.any():
        powers = pc.replace_substring(pc.cast(pa.array(np.where(vast, numbers, 0.0)), pa.string()), "inf", "∞")
        return pc.if_else(pa.array(vast), powers, _written(np.where(vast, np.nan, numbers), decimals))
    least, most = (0, _PLACES) if decimals is None else (decimals, decimals)
    size = np.floor(np.log10(np.abs(numbers), where=(numbers != 0) & np.isfinite(numbers), out=np.zeros(len(numbers))))
    whole = numbers == np.round(numbers)
    needed = np.where(whole, most, np.clip(_SIGNIFICANT - 1 - size, most, _MOST_PLACES)).astype("int64")
    written = pa.nulls(len(numbers), pa.string())
    for places in np.unique(needed).tolist():
        chosen = pa.array(np.where(needed == places, numbers, np.nan), from_pandas=True)
        written = pc.coalesce(written, _with_places(chosen, places, least))
    return written


def _with_places(numbers: pa.Array, places: int, least: int) -> pa.Array:
    """Write numbers with ``places`` decimals, less the zeros at the end beyond the first ``least``."""
    rounded = pc.round(numbers, places)
    if not places:
        return pc.cast(pc.cast(rounded, pa.int64()), pa.string())
    text = pc.cast(pc.cast(rounded, pa.decimal128(38, places), safe=False), pa.string())
    if places == least:
        return text
    if not least:
        return pc.replace_substring_regex(text, r"\.?0+$", "")
    return pc.replace_substring_regex(text, rf"^(.*\.\d{{{least}}}\d*?)0+$", r"\1")
