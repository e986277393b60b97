"""What stands for "no value": words such as n/a, and -9, -99, -999.0 where a quantity cannot be below zero."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.problems import problem_frame

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags
    from pipeline.ingest.entries import Source
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.matching import Match

_CODE: Final = r"^-9+(?:[.,][09]+)?$"
_FEWEST: Final = 3  # times a code stands in a table; once it may be a slip
_MOST_WORDS: Final = 6  # that are named
_BELOW_ZERO: Final = ("temperature", "redox", "saturation_index", "calcite_dissolution")  # quantities that may be


def with_missing_codes(grid: Grid, match: Match, file_sha256: str) -> tuple[Match, list[pd.DataFrame]]:
    """Count a repeated -9, -99, -999 of quantities that cannot be negative among the gaps of a table.

    Returns
    -------
    The match, its layout with the codes among the words for a gap, and a notice for each code and for the words.
    """
    rows = match.rows(grid)
    found: dict[str, int] = {}
    first: dict[str, tuple[int, str]] = {}
    for column in match.measured:
        if column.analyte in _BELOW_ZERO:
            continue
        texts = grid.cells(column.position, rows)
        coded = pc.starts_with(texts, "-9")
        if not pc.any(coded).as_py():
            continue
        at = np.flatnonzero(pc.and_(coded, pc.match_substring_regex(texts, _CODE)).to_numpy(zero_copy_only=False))
        for text, row in zip(texts.take(pa.array(at)).to_pylist(), at.tolist(), strict=True):
            found[text] = found.get(text, 0) + 1
            first.setdefault(text, (row, column.heading))
    codes = [text for text, count in found.items() if count >= _FEWEST]
    told = missing_word_notices(grid, match, file_sha256)
    if not codes:
        return match, told
    layout = replace(match.layout, missing=(*match.layout.missing, *codes))
    notices = [
        problem_frame(
            "missing-code",
            file_sha256=file_sha256,
            line=int(grid.line[rows[first[text][0]]]),
            column=first[text][1],
            raw_text=text,
            detail=str(found[text]),
        )
        for text in codes
    ]
    return replace(match, layout=layout), [*notices, *told]


def missing_word_notices(grid: Grid, match: Match, file_sha256: str) -> list[pd.DataFrame]:
    """Tell once which words were read as "no value", and how often."""
    words = _gap_words(match)
    rows, counts = match.rows(grid), Counter[str]()
    for column in match.measured:
        texts = grid.cells(column.position, rows)
        said = pc.is_in(texts, value_set=words)
        if pc.any(said).as_py():
            counted = pc.value_counts(texts.filter(said))
            counts.update(dict(zip(*(counted.field(place).to_pylist() for place in (0, 1)), strict=True)))
    if not counts:
        return []
    listed = ", ".join(f'"{word}" {count:,} ×' for word, count in counts.most_common(_MOST_WORDS))
    more = ", …" if len(counts) > _MOST_WORDS else ""
    detail = f"counted as no value: {listed}{more}"
    return [problem_frame("missing-words", file_sha256=file_sha256, line=0, column="", raw_text="", detail=detail)]


def _gap_words(match: Match) -> pa.Array:
    return pa.array([word for word in match.layout.missing if word.strip()], type=pa.string())


def gap_rows(source: Source) -> Flags:
    """Tell the body rows with a word for "no value" among their measurements."""
    words = _gap_words(source.match)
    return _any_cell(source, [pc.is_in(source.texts(c.position), value_set=words) for c in source.match.measured])


def like_codes(source: Source) -> Flags:
    """Tell the body rows with a measurement that begins like a code for a gap."""
    return _any_cell(source, [pc.starts_with(source.texts(c.position), "-9") for c in source.match.measured])


def _any_cell(source: Source, columns: list[pa.Array]) -> Flags:
    found = np.zeros(len(source.rows), dtype=bool)
    for column in columns:
        found |= column.to_numpy(zero_copy_only=False)
    return found
