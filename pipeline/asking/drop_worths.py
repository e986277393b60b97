"""Answers to "what is one drop worth?": its degree, the volume it holds for, and the rows they are given to."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pipeline.ingest.drop_worths import PER_DROP
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from pipeline.arrays import Flags, Places
    from pipeline.ingest.extract import Extract

_NUMBER: Final = r"\d+(?:[.,]\d+)?"
_OF_VOLUME: Final = r"(?:\b(?:at|in|for|with|bei|pour|per|con|bij)\s+)?"
_WORTH: Final = re.compile(
    rf"{_OF_VOLUME}(?P<alone>{_NUMBER})\s*ml"
    rf"|(?P<number>{_NUMBER})\s*(?P<unit>[^\d\s].*?)\s*(?:{_OF_VOLUME}(?P<nominal_ml>{_NUMBER})\s*ml)?",
    re.IGNORECASE,
)
_FIELDS: Final = ("degree_per_drop", "degree_unit", "nominal_ml")
_GROUP: Final = 3  # decimals that may be taken for thousands


class DropWorth(NamedTuple):
    """What a drop is worth: number and unit, "" where only a volume is said; the sample volume [mL], "" if none is."""

    number: str
    unit: str
    nominal_ml: str


def stated_worth(text: str) -> DropWorth | None:
    """Read an answer such as "1 °dH per drop at 10 mL", or "10 mL"; None if it is none.

    Example
    -------
    >>> stated_worth("1 °dH per drop at 10 mL"), stated_worth("0,5 °f/goutte"), stated_worth("5 mL")
    (DropWorth(number='1', unit='°dH', nominal_ml='10'), DropWorth(number='0.5', unit='°f', nominal_ml=''), \
DropWorth(number='', unit='', nominal_ml='5'))
    >>> stated_worth("mg/L") is None
    True
    """
    found = _WORTH.fullmatch(PER_DROP.sub(" ", text).strip())
    if found is None:
        return None
    number, volume = (plain_number(found[name] or "") for name in ("number", "nominal_ml"))
    return DropWorth(number, found["unit"] or "", volume or plain_number(found["alone"] or ""))


def plain_number(text: str) -> str:
    """Write a number that was typed so that no file takes its decimals for thousands."""
    number = text.replace(",", ".")
    return f"{number}0" if len(number.partition(".")[2]) == _GROUP else number


def without_worth(table: Extract) -> Flags:
    """Tell the counts of a table of whose drop nobody says what it is worth, or at which volume.

    Without a volume of the kit a count waits only where its row states how much water was taken.
    """
    counted = TextColumn.from_series(table.cells["form"]).isin(["drops"])
    if not counted.any():
        return counted
    worth, used, nominal = (_stated(table, name) for name in ("degree_per_drop", "used_ml", "nominal_ml"))
    open_rows = ~worth | (used & ~nominal)
    waits: Flags = counted & open_rows[table.cells["row"].to_numpy()]
    return waits


def counts_alone(table: Extract) -> bool:
    """Say whether no row of a table states what a drop is worth, or how much water was taken."""
    return not (_stated(table, "degree_per_drop").any() or _stated(table, "used_ml").any())


def _stated(table: Extract, name: str) -> Flags:
    return TextColumn.from_series(table.rows[name]).stated()


def with_worths(table: Extract, given: Sequence[tuple[Flags, DropWorth]]) -> Extract:
    """Give counts the worth of their drops; a row whose counts are worth different things becomes a row for each.

    Parameters
    ----------
    table : of measurements.
    given : counts (n,) that are given a worth, and the worth.
    """
    row = table.cells["row"].to_numpy()
    counted = TextColumn.from_series(table.cells["form"]).isin(["drops"])
    worths = list(dict.fromkeys(worth for _, worth in given))
    number = np.zeros(len(row), dtype="int64")
    for where, worth in given:
        number[where] = 1 + worths.index(worth)
    least, most = _least_and_most(row[counted], number[counted], len(table.rows))
    single = least == most
    # Counts that differ in what their drops are worth move to copies of their row; what else stands in it stays.
    copy = np.where(counted & ~single[row], number, 0)
    kept, place = _with_copies(row, copy, len(table.rows), len(worths) + 1)
    source, of_copy = np.divmod(kept, len(worths) + 1)
    worth_of = np.where((of_copy == 0) & single[source], most[source], of_copy)
    unread = table.cells_not_read
    return replace(
        table,
        rows=_stating(table.rows.iloc[source].reset_index(drop=True), worth_of, worths),
        cells=table.cells.assign(row=place.astype(row.dtype)),
        cells_not_read=None if unread is None else np.where(of_copy == 0, unread[source], 0),
    )


def _stating(rows: pd.DataFrame, worth_of: Places, worths: Sequence[DropWorth]) -> pd.DataFrame:
    """Write into rows what their drops are worth, where they do not say it themselves."""
    degree, unit, nominal = (TextColumn.from_series(rows[name]) for name in _FIELDS)
    number_said, unit_said, volume_said = (TextColumn(worth_of, ("", *parts)) for parts in zip(*worths, strict=True))
    said = number_said.stated() & ~degree.stated()
    columns = (number_said.over(degree, said), unit_said.over(unit, said), nominal.otherwise(volume_said))
    return rows.assign(**{name: one.category() for name, one in zip(_FIELDS, columns, strict=True)})


def _least_and_most(row: Places, number: Places, size: int) -> tuple[Places, Places]:
    """Give the least and the greatest number of each row, 0 for a row without any."""
    least, most = np.full(size, np.iinfo(np.int64).max), np.zeros(size, dtype="int64")
    np.minimum.at(least, row, number)
    np.maximum.at(most, row, number)
    return np.minimum(least, most), most


def _with_copies(row: Places, copy: Places, size: int, step: int) -> tuple[Places, Places]:
    """Put copies behind their rows, and give each cell the place of its row or copy among them."""
    wanted = row * step + copy
    kept = np.unique(np.append(np.arange(size) * step, wanted))
    return kept, np.searchsorted(kept, wanted)
