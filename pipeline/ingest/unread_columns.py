"""Columns of numbers that hold no results of a sample or that nobody understands: set aside whole, cell by cell."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.ingest.cell_frame import column_name
from pipeline.ingest.columns import FIGURE
from pipeline.ingest.drop_worths import DROP_WORDS
from pipeline.ingest.entries import has_content
from pipeline.ingest.heading_kinds import (
    beside_results,
    counting,
    identifying,
    measuring,
    statistic,
    statistic_of_known,
)
from pipeline.ingest.names import left_over
from pipeline.ingest.unit_text import split_unit
from pipeline.problems import problem_frame

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.arrays import Flags
    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.entries import Source
    from pipeline.ingest.layout_file import Layout
    from pipeline.ingest.row_kinds import RowKinds

_LOOKED_AT: Final = 1_000  # filled cells
_MOST: Final = 0.5  # of the filled cells
_NOT_TAKEN: Final = ("unknown", "no_chemistry", "drops", "titrant_ml", "value")  # roles from which nothing was read
_YEARS: Final = (1900, 2100)
_LONG_NUMBER: Final = 5  # digits from which whole numbers of one length are postcodes, telephones, keys
_FEWEST: Final = 3  # cells that may show a running number
_DATE: Final = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}$")
_WITH_REST: Final = re.compile(FIGURE.removesuffix("$") + r"(?P<rest>.*)$", re.DOTALL)
_BESIDE: Final = re.compile(r"\s*(?:±|\+/-)\s*\d[\d.,]*\s*$")
_NOT_UNDERSTOOD: Final = "column-not-understood"


@dataclass(frozen=True)
class UnreadColumn:
    """A column whose entries are all set aside: ``code`` of the problem, ``detail`` what its heading says it holds."""

    column: SourceColumn
    code: str
    detail: str = ""


@dataclass(frozen=True)
class Unread:
    """What nothing was read from: columns of measurements, and the other columns that hold something."""

    measured: tuple[UnreadColumn, ...]
    others: tuple[SourceColumn, ...]


def unread_columns(source: Source) -> Unread:
    """Tell, among the columns nothing is read from, those that hold measurements.

    A column holds measurements where at least half of its filled cells are numbers, maybe with a sign, a unit or
    an uncertainty, counts of drops or words for "not detected", and where neither heading nor numbers belong to
    an identifier, a place, a time or a counter. Numbers under the name of a statistic or limit are no results of
    a sample; they are set aside as what they are.
    """
    measured: list[UnreadColumn] = []
    others: list[SourceColumn] = []
    for column in source.match.columns:
        if column.role not in _NOT_TAKEN:
            continue
        filled = _filled(source, column)
        if not len(filled):
            continue
        if found := _judged(column, filled, source):
            measured.append(found)
        elif column.role == "unknown":
            others.append(column)
    return Unread(tuple(measured), tuple(others))


def _filled(source: Source, column: SourceColumn) -> pd.Series:
    """Give the first cells of a column that hold something."""
    texts = source.texts(column.position)
    at = np.flatnonzero(has_content(texts, source.match.layout))[:_LOOKED_AT]
    return pd.Series(pd.array(texts.take(pa.array(at)), dtype="str"))


def _judged(column: SourceColumn, filled: pd.Series, source: Source) -> UnreadColumn | None:
    heading = column.heading
    if not _numeric(filled, source.match.layout):
        return None
    if column.role == "no_chemistry":
        return UnreadColumn(column, "no-quantity-of-water", heading)
    kind = statistic(heading) or statistic_of_known(heading)
    if kind and (source.match.orientation != "samples-in-rows" or kind != "a number or a sum"):
        return UnreadColumn(column, "not-a-sample", kind)
    certain = measuring(heading, column.unit)
    keyed = identifying(heading) and not (counting(heading) and _with_decimals(filled))
    if beside_results(heading) or keyed or (not certain and _numbers_identify(filled, heading)):
        return None
    words = ", ".join(f'"{word}"' for word in left_over(heading))
    return UnreadColumn(column, _NOT_UNDERSTOOD, f"; nothing explains {words}" if words else "")


def _numeric(filled: pd.Series, layout: Layout) -> bool:
    """Say whether most cells are numbers, counts or words for "not detected", at least one of them with a figure."""
    distinct, count = np.unique(filled.to_numpy(dtype=object), return_counts=True)
    words = {word.casefold() for word in (*layout.non_detect, *layout.conditions)}
    figures = np.array([_is_figure(text) for text in distinct], dtype="bool")
    below = np.array([text.strip().casefold() in words for text in distinct], dtype="bool")
    return bool((figures | below).any()) and bool(count[figures | below].sum() >= _MOST * len(filled))


def _is_figure(text: str) -> bool:
    if _DATE.match(text) or not (found := _WITH_REST.match(text)):
        return False
    rest = found["rest"].strip()
    return not rest or bool(_BESIDE.match(rest) or re.match(DROP_WORDS, text, re.IGNORECASE) or split_unit(rest))


def _with_decimals(filled: pd.Series) -> bool:
    """Say whether a column holds fractions, which no counter and no key has."""
    return bool(filled.str.fullmatch(r"\s*[<>]?\s*\d+[.,]\d{1,2}\s*").any())


def _numbers_identify(filled: pd.Series, heading: str) -> bool:
    """Say whether the numbers themselves are keys, postcodes, years or a running count."""
    texts = filled.str.strip()
    if texts.str.match(r"0\d").any():
        return True
    bare = texts.str.replace(r"[ '’]", "", regex=True)
    whole = bare.str.fullmatch(r"\+?\d+").fillna(value=False)
    if not whole.all():
        return False
    length = bare.str.len()
    if len(bare) >= _FEWEST and length.min() == length.max() >= _LONG_NUMBER:
        return True
    numbers = pd.to_numeric(bare).to_numpy(dtype="float64")
    steps = np.diff(numbers)
    running = len(numbers) >= _FEWEST and numbers[0] in (0, 1) and bool((steps == 1).all())
    counted = not heading.strip() and bool((steps >= 1).all())
    return running or counted or bool(((numbers >= _YEARS[0]) & (numbers <= _YEARS[1])).all())


def entries_of(source: Source, unread: UnreadColumn, is_fact: Flags) -> Flags:
    """Flag the body rows in which such a column has an entry."""
    return has_content(source.texts(unread.column.position), source.match.layout) & ~is_fact


def unread_entries(
    source: Source, unread: Unread, kinds: RowKinds, is_fact: Flags, file_sha256: str
) -> Iterator[tuple[np.ndarray, pd.DataFrame]]:
    """Set the entries of such columns aside, column by column; the kind of a row that is no sample goes before.

    Yields
    ------
    Positions of the body rows, and PROBLEM_COLUMNS of the entries there.
    """
    for one in unread.measured:
        at = np.flatnonzero(entries_of(source, one, is_fact))
        texts = pd.Series(pd.array(source.texts(one.column.position).take(pa.array(at)), dtype="str"))
        lines = pd.Series(source.grid.line[source.rows[at]])
        kind = kinds.code[at]
        for number in np.unique(kind):
            code, detail = kinds.problems[number] if number >= 0 else (one.code, one.detail)
            mask = kind == number
            yield (
                at[mask],
                problem_frame(
                    code,
                    file_sha256=file_sha256,
                    line=lines[mask],
                    column=column_name(source, one.column),
                    raw_text=texts[mask],
                    detail=detail,
                ),
            )
