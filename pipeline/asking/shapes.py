"""The shape of a file is its headings: what was settled for one file of a shape holds for the next of it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipeline.asking.answers import UnitAnswer, quantity_named
from pipeline.ingest.layout_file import from_json
from pipeline.ingest.matching import match_layout
from pipeline.ingest.spellings import key

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd

    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout
    from pipeline.ingest.matching import Match

_LENGTH: Final = 10  # letters of the name of a shape
_ALIKE: Final = 0.6  # share of the headings of both that are the same, from which a file is one that changed


@dataclass(frozen=True)
class KnownShape:
    """What a person settled for files with these headings.

    Attributes
    ----------
    shape : its name, of ``shape_of``.
    headings : as the first such file wrote them.
    answers : units.
    layout : a layout that was confirmed, if one was.
    by, on : who settled it last, and the day.
    """

    shape: str
    headings: tuple[str, ...]
    answers: tuple[UnitAnswer, ...] = ()
    layout: Layout | None = None
    by: str = ""
    on: str = ""


def shape_of(headings: Iterable[str]) -> str:
    """Name the shape of a table by its headings, in whatever order and spelling of letters.

    Example
    -------
    >>> shape_of(["Sample", "pH", ""]) == shape_of(["PH", "sample"])
    True
    """
    folded = sorted(key(heading) for heading in headings if heading.strip())
    return hashlib.sha256("\n".join(folded).encode()).hexdigest()[:_LENGTH]


def known_shapes(kept: pd.DataFrame) -> tuple[KnownShape, ...]:
    """Read what the store keeps, one row per answer or layout, as ``store.shapes.kept_shapes`` gives it."""
    found = []
    for shape, rows in kept.groupby("shape", sort=False):
        last = rows.iloc[-1]
        told = [row for row in rows.itertuples(index=False) if row.layout]
        layout = _confirmed(str(told[-1].layout), str(shape)) if told else None
        answers = tuple(
            UnitAnswer(
                str(row.name), str(row.unit), quantity_named(str(row.name)), str(row.said_by), f"{row.said_at:%Y-%m-%d}"
            )
            for row in rows.itertuples(index=False)
            if row.unit
        )
        headings = tuple(json.loads(str(last["headings"])))
        found.append(
            KnownShape(str(shape), headings, answers, layout, str(last["said_by"]), f"{last['said_at']:%Y-%m-%d}")
        )
    return tuple(found)


def _confirmed(text: str, shape: str) -> Layout:
    return replace(from_json(json.loads(text), Path(f"layout of the shape {shape}")), stated=text)


def match_known(grid: Grid, known: Sequence[KnownShape]) -> Match | None:
    """Read a table by a layout that was confirmed for tables with its headings; None if there is none."""
    for one in known:
        if one.layout is None:
            continue
        found = match_layout(grid, [one.layout])
        if found is not None and shape_of(headings_of(found)) == one.shape:
            return found
    return None


def headings_of(match: Match) -> list[str]:
    """Give the headings that make the shape of a table; names of samples over its columns do not."""
    return [column.heading for column in match.columns if column.heading.strip() and not column.sample]


def changed_shape(
    headings: Sequence[str], known: Sequence[KnownShape]
) -> tuple[KnownShape, list[str], list[str]] | None:
    """Find the known shape that a table had before its headings changed, with the headings that are new and gone."""
    here = {key(heading): heading for heading in headings if heading.strip()}
    best: tuple[float, KnownShape] | None = None
    for one in known:
        before = {key(heading) for heading in one.headings}
        alike = len(before & here.keys()) / max(len(before | here.keys()), 1)
        if alike >= _ALIKE and (best is None or alike > best[0]):
            best = alike, one
    if best is None:
        return None
    before_all = {key(heading): heading for heading in best[1].headings}
    new = [heading for name, heading in here.items() if name not in before_all]
    gone = [heading for name, heading in before_all.items() if name not in here]
    return best[1], new, gone
