"""What can be wrong with a cell, a row or a file: every code and its wording, once.

Two tables carry problems through the pipeline. ``set_aside`` has one row per measurement cell
that could not be used; entries read = accepted + set aside, always. ``notices`` has one row per
remark that costs no entry: an unrecognised column, a formula without value, an odd row.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import KettlestoneError
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


@dataclass(frozen=True)
class Problem:
    """One kind of fault.

    Attributes
    ----------
    what : may use {raw_text}, {column} and {detail}.
    remedy : says what to do.
    question : what a person is asked, once for a whole column; may use {column} and {detail}. "" asks nothing.
    settled : the cell was understood, and there is nothing to do.
    """

    code: str
    what: str
    remedy: str
    question: str = ""
    settled: bool = False


_CATALOGUE: Final[tuple[Problem, ...]] = (
    # cells set aside
    Problem("number-unreadable", '"{raw_text}" is not a number', "Correct the cell and import the file again."),
    Problem(
        "number-absurd",
        '"{raw_text}" cannot be right: no measurement gives such a number',
        "Correct the cell (of a titration also its volumes and concentrations) and import the file again.",
    ),
    Problem(
        "number-ambiguous",
        '"{raw_text}" can be read with a thousands mark or a decimal mark',
        "Set decimalChar in the layout or write the number without a thousands mark.",
        question='Is the mark in the numbers of "{column}" a thousands mark or a decimal mark?',
    ),
    Problem(
        "range-not-reading",
        '"{raw_text}" is a range, not one reading',
        "Enter the single readings; a range or yearly mean belongs in the comment.",
    ),
    Problem(
        "date-in-number",
        '"{raw_text}" is a date in a number cell; the spreadsheet may have changed it',
        "Format the column as text and type the value again.",
    ),
    Problem(
        "unit-unknown",
        "the unit {detail}",
        "Write a unit of the list in the README or add it to unitAliases in the layout.",
        question='Which unit is meant under "{column}"? The unit {detail}.',
    ),
    Problem(
        "unit-missing",
        '{detail}: "{raw_text}" has no unit and the layout declares none',
        "Put the unit in the heading, in a units row or in the layout.",
        question='In which unit is {detail} given under "{column}"?',
    ),
    Problem(
        "unit-ambiguous",
        "the unit {detail}",
        "Write the unit out (mg/L as CaCO3, mg/L as Ca, °dH, …).",
        question='Which unit is meant under "{column}"? The unit {detail}.',
    ),
    Problem(
        "not-a-sample",
        "here stands {detail}, not a reading of a sample",
        "Nothing to do; it is kept here so that nothing is lost.",
        settled=True,
    ),
    Problem(
        "not-detected-without-limit",
        '"{raw_text}" means not detected, but no limit is given',
        "Add the detection limit (<0.5), then import the file again.",
    ),
    Problem(
        "row-too-long",
        "the row has {detail}; its cells may stand under the wrong headings",
        "Look for a delimiter inside a text, quote it, and import the file again.",
    ),
    Problem(
        "row-cut-off",
        "the last row ends in the middle; the file looks cut off",
        "Export or copy the file again.",
    ),
    Problem(
        "drops-not-whole",
        'the count "{raw_text}" is not a whole number of drops',
        "Count whole drops; enter a value in the value column.",
    ),
    Problem(
        "kit-undefined",
        "the drops cannot be turned into a value: {detail}",
        "Give the degrees per drop and the nominal sample volume of the kit; correct a volume that cannot be used.",
        question='What is one drop worth, and for how much water, under "{column}" ({detail})?',
    ),
    Problem(
        "titration-undefined",
        "the titrant volume cannot be turned into a value: {detail}",
        "Give titrant concentration and sample volume; correct a figure that cannot be used.",
        question='Which concentration has the titrant, and how much water was taken, under "{column}" ({detail})?',
    ),
    Problem("negative-value", '"{raw_text}" is below zero', "Check the reading; this quantity cannot be negative."),
    Problem(
        "field-unreadable",
        '"{raw_text}" under {column} is not understood ({detail})',
        "Correct the cell; the readings of the row that need it wait.",
    ),
    Problem(
        "analyte-unknown",
        '"{detail}" is not a quantity of the table of spellings; its result is kept here',
        "Add the spelling to a layout if it is one of the quantities in schemas/columns.py.",
        question='Which quantity is "{detail}"?',
    ),
    Problem(
        "column-not-understood",
        'the column "{column}" holds numbers, but its heading is no known quantity',
        "Add the heading to a layout with the quantity it holds, or as ignored (kettlestone layout propose FILE).",
        question='Which quantity does "{column}" hold?',
    ),
    # remarks on files and rows
    Problem(
        "file-not-understood",
        "no layout fits this file: {detail}",
        "Run kettlestone layout propose FILE, look at the proposal and save it.",
    ),
    Problem(
        "file-kind",
        "a {detail} file is not read",
        "Nothing to do if it holds no readings; else save it as CSV, as a workbook or as PDF.",
    ),
    Problem("file-empty", "the file holds no rows", "Export it again."),
    Problem("file-unreadable", "the file cannot be read: {detail}", "Open it in its program and save it again."),
    Problem(
        "file-is-picture",
        "{detail} without text (a scan or a photograph); nothing was read from it",
        "Ask for the report as a file, or type its numbers into a sheet.",
    ),
    Problem(
        "file-without-results",
        "{detail}",
        "Ask for the results as a table (CSV or workbook), or type them into a sheet.",
    ),
    Problem("file-too-large", "{detail}", "Split the file."),
    Problem(
        "columns-left-out",
        "nothing was read from {detail}",
        "Nothing to do if they do not matter; else add the headings to a layout (kettlestone layout propose FILE).",
    ),
    Problem(
        "rows-without-readings",
        "{detail}: what else stands in them was not kept",
        "Nothing to do if that is meant; else fill in the readings and import the file again.",
    ),
    Problem(
        "origin-unknown",
        "no column says client, site, sample or date; not understood: {detail}",
        "Write one of these headings in a language that is known, or add yours to a layout "
        "(kettlestone layout propose FILE), so that each sample has a name.",
    ),
    Problem(
        "register-value",
        '"{raw_text}" cannot be: {detail} is expected',
        "Correct it and import the register again; it is kept as written and not reckoned with.",
    ),
    Problem(
        "register-owner",
        'the row names no client, and {detail} have a site "{raw_text}"',
        "Add a column client and import the register again; until then the row counts for none of them.",
    ),
    Problem("column-repeated", 'the heading "{column}" occurs more than once', "Give each column its own heading."),
    Problem(
        "column-second", "two columns say the same kind of thing: {detail}", "Nothing to do if that is what is meant."
    ),
    Problem(
        "stage-derived",
        'no stage is stated; the {column} "{raw_text}" was read as {detail}',
        "Nothing to do if that is right; else add a column Stage (raw, treated, …).",
    ),
    Problem("encoding-fallback", "{detail}", "Save the file as UTF-8 if signs look wrong."),
    Problem(
        "formula-without-value",
        "the cell holds a formula without a stored value",
        "Open and save the workbook.",
    ),
    Problem("merged-cells", "merged cells ({detail}): only the first carries a value", "Unmerge and fill them."),
    Problem("date-ambiguous", '"{raw_text}" was read as {detail}', "Write dates as YYYY-MM-DD."),
    Problem("date-order", '"{raw_text}" was read as {detail}', "Write dates as YYYY-MM-DD."),
    Problem("date-unreadable", '"{raw_text}" is not a date of the layout\'s formats', "Write dates as YYYY-MM-DD."),
    Problem("number-repaired", '"{raw_text}" was read as {detail}', "Check it; write the number alone."),
    Problem("table-not-read", "{detail}", "If it is no cover, legend or limits: a layout with sheet and headerRow."),
    Problem("sheet-skipped", "{detail}", "Move the table to the first sheet or import it on its own."),
    Problem(
        "page-is-picture",
        "page {detail} is a picture without text; it was not read",
        "Ask for the report as a file, or type it.",
    ),
    Problem("row-outside-table", "{detail}", "Nothing to do if this is a preamble or a footer."),
    Problem(
        "quote-unclosed",
        "a quote opens a cell and nothing closes it ({raw_text}): {detail}",
        "Take the quote away or close it, so that every row is read as meant.",
    ),
    Problem(
        "quote-inside-text",
        "a quoted cell closes and text goes on ({raw_text}); cells may have run together, {detail}",
        "Double the quotes inside a quoted text.",
    ),
    Problem(
        "cell-very-long",
        "one cell holds {detail} of text ({raw_text} …)",
        "Look for a lost line end, delimiter or quote.",
    ),
)

PROBLEMS: Final[dict[str, Problem]] = {problem.code: problem for problem in _CATALOGUE}


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
