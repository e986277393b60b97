"""Two columns for one field, "Site" and "Location": the first states it, what the second says more is kept."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.ingest.columns import numbers_places
from pipeline.ingest.spellings import heading_words, key, word_keys
from pipeline.problems import problem_frame
from pipeline.texts import TextColumn, composed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt
    import pandas as pd

    from pipeline.arrays import Flags
    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.entries import Source
    from pipeline.ingest.matching import Match


class Second(NamedTuple):
    """A column whose field an earlier column states already."""

    first: SourceColumn
    column: SourceColumn


def by_weight(columns: Sequence[SourceColumn]) -> list[SourceColumn]:
    """Put the columns of one field in order: those first whose heading names the field itself.

    "Site" names the site wherever it stands; "Location" does where nothing better does, and a number of the tap where
    its name is not given.
    """
    return sorted(columns, key=lambda column: not column.own and (key(column.heading) in _looser() or _is_code(column)))


def _is_code(column: SourceColumn) -> bool:
    return column.code == "sampling_point" and numbers_places(column.heading)


@lru_cache(maxsize=1)
def _looser() -> frozenset[str]:
    return frozenset(word_keys(heading_words()["looser headings"], "de"))


def second_columns(match: Match) -> list[Second]:
    """List the columns of a field that another column before them has; kit fields of one test are their own."""
    first: dict[str, SourceColumn] = {}
    found = []
    for column in by_weight(match.columns):
        if column.role == "about" and not column.analyte:
            if column.code in first:
                found.append(Second(first[column.code], column))
            first.setdefault(column.code, column)
    return found


def with_second_columns(
    source: Source, stated: Mapping[str, TextColumn], at: npt.NDArray[np.int64]
) -> dict[str, TextColumn]:
    """Keep what second columns say beside the first.

    Parameters
    ----------
    source : the table.
    stated : fields of the rows.
    at : (r,) position of each row among the body rows.

    Returns
    -------
    The fields: a second place of the site is its sampling point where the row names none; everything else is
    added to the comment, with its heading.
    """
    fields = dict(stated)
    for _, column in second_columns(source.match):
        further = source.first_stated([column], at)
        said = composed([fields[column.code], further], _unless_same)
        if column.code == "site":
            free = ~fields["sampling_point"].stated()
            fields["sampling_point"] = fields["sampling_point"].otherwise(said)
            said = said.where(free, "")
        if column.code == "comment":
            fields["comment"] = composed([fields["comment"], said], _joined)
        elif any(said.texts):
            heading = " ".join(column.heading.split())
            told = said.map(lambda text, heading=heading: f"{heading}: {text}" if text else "")  # type: ignore[misc]
            fields["comment"] = composed([fields["comment"], told], _joined)
    return fields


def _unless_same(first: str, second: str) -> str:
    """Give what the second says more; where the first says nothing the second has spoken for it."""
    return "" if first.strip().casefold() in ("", second.strip().casefold()) else second


def _joined(first: str, second: str) -> str:
    return "; ".join(text for text in (first, second) if text)


def rows_of_second_columns(source: Source) -> Flags:
    """Tell the body rows in which a second column says something else than the first."""
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    rows = np.zeros(len(source.rows), dtype=bool)
    for columns in second_columns(source.match):
        rows |= composed([source.first_stated([one], everywhere) for one in columns], _unless_same).stated()
    return rows


def second_notices(source: Source, file_sha256: str) -> list[pd.DataFrame]:
    """Tell of second columns that say something else than the first, each once."""
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    line = int(source.grid.line[source.match.header_row])
    notices: list[pd.DataFrame] = []
    for first, column in second_columns(source.match):
        both: Sequence[TextColumn] = [source.first_stated([one], everywhere) for one in (first, column)]
        if not any(composed(both, _unless_same).texts):
            continue
        heading = " ".join(column.heading.split())
        kept = "sampling point, or in the comment where a row names one" if column.code == "site" else "comment"
        detail = f'"{" ".join(first.heading.split())}" and "{heading}"; the second is kept as the {kept}'
        notices.append(
            problem_frame(
                "column-second",
                file_sha256=file_sha256,
                line=line,
                column=heading,
                raw_text=column.heading,
                detail=detail.replace("as the comment", "in the comment"),
            )
        )
    return notices
