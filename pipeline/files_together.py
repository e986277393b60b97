"""Small files on their way in: those under the same headings are taken to text together.

Most of what a small file costs depends on its headings and not on its rows. Whatever else is in a file, or wrong with
it, is left to ``pipeline.one_file``, which reads it alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.asking.ask import TableToAsk
from pipeline.asking.open_units import cell_kinds
from pipeline.asking.shapes import headings_of, shape_of
from pipeline.ingest.alike import FileTable, headings_alike, take_alike
from pipeline.ingest.blocks import blocks_of
from pipeline.ingest.file_result import EMPTY_LEDGER, FileResult
from pipeline.ingest.layouts import declared_encoding
from pipeline.ingest.reading import grids, is_text
from pipeline.ingest.stage_words import names_labels
from pipeline.one_file import file_of_tables, left_out_notice, reader_limits

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Sequence
    from pathlib import Path

    from pipeline.asking.ask import Answers
    from pipeline.fetching import Fetched
    from pipeline.ingest.alike import TakenTable
    from pipeline.ingest.layouts import Layout
    from pipeline.ingest.reader_limits import ReaderLimits
    from pipeline.settings import Settings

_SMALL: Final = 200_000  # bytes; a larger file has rows enough to be taken to text alone
_AT_ONCE: Final = 2_000_000  # bytes of files that are held in memory together


@dataclass(frozen=True)
class _SmallFile:
    """A text file of one table: its place in the portion, the file, and the table."""

    place: int
    fetched: Fetched
    table: FileTable

    def result(self, taken: TakenTable) -> FileResult:
        """Give what ``one_file`` gives of a file of this one table in which nothing is open."""
        grid, sha256 = self.table.grid, self.table.file_sha256
        ledger = {
            **self.fetched.source,
            **EMPTY_LEDGER,
            "layout": self.table.match.layout.name,
            "encoding": grid.encoding,
            "delimiter": grid.delimiter,
            "lines": int(grid.line[-1]),
            "entries": taken.entries,
            "shape": shape_of(headings_of(self.table.match)),
            "status": "read",
        }
        told = [grid.notices, taken.notices]
        if taken.left_out:
            told.append(left_out_notice(taken.left_out, sha256))
        told = [frame for frame in told if len(frame)]
        result = FileResult(source=ledger, tables=(taken.part,) if taken.part.cells else (), set_aside=taken.set_aside)
        return replace(result, notices=pd.concat(told, ignore_index=True)) if told else result


def portions(files: Sequence[Path]) -> Iterator[list[Path]]:
    """Part files, in their order, into those that are held in memory together."""
    portion: list[Path] = []
    size = 0
    for path in files:
        own = _size(path)
        if portion and size + own > _AT_ONCE:
            yield portion
            portion, size = [], 0
        portion.append(path)
        size += own
    if portion:
        yield portion


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def read_together(
    files: Sequence[Fetched], settings: Settings, layouts: Sequence[Layout], answers: Answers
) -> dict[int, FileResult]:
    """Read what can be read together among some files, as each of them is read alone.

    Parameters
    ----------
    files : of one portion.
    settings : of the run.
    layouts : as ``ingest.layouts.load_layouts`` gives them.
    answers : what is known of units; where some are given now, every file is read alone.

    Returns
    -------
    place among the files → the result; the others are to be read alone.
    """
    if len(files) == 1 or answers.given or any(layout.stated for layout in layouts):
        return {}
    limits = reader_limits(settings)
    found = [_opened(place, one, limits, layouts, answers) for place, one in enumerate(files)]
    groups: dict[Hashable, list[_SmallFile]] = {}
    for small in found:
        if small is not None:
            groups.setdefault(headings_alike(small.table), []).append(small)
    groups.pop(None, None)
    return {place: result for group in groups.values() for place, result in _of_group(group, answers).items()}


def _opened(
    place: int, fetched: Fetched, limits: ReaderLimits, layouts: Sequence[Layout], answers: Answers
) -> _SmallFile | None:
    """Read a file as far as its table; None for one that holds anything else, and one at which anything fails."""
    content = fetched.content
    if fetched.known or not 0 < content.size <= _SMALL or not is_text(content):
        return None
    if names_labels(PurePath(fetched.name).stem):
        return None  # its name says something of its rows
    try:
        blocks = [
            block
            for grid in grids(content, declared_encoding(layouts), limits)
            for block in blocks_of(grid, layouts, answers.match)
        ]
    except Exception:  # noqa: BLE001 - read alone it is told what is wrong with it
        return None
    if len(blocks) > 1 or blocks[0].match is None:
        return None
    return _SmallFile(place, fetched, FileTable(blocks[0].grid, blocks[0].match, content.sha256))


def _of_group(group: Sequence[_SmallFile], answers: Answers) -> dict[int, FileResult]:
    shape = shape_of(headings_of(group[0].table.match))
    if len(group) == 1 or any(known.shape == shape for known in answers.shapes):
        return {}
    try:
        return _results(group, answers)
    except Exception:  # noqa: BLE001 - each is read alone, and the one at fault is told
        return {}


def _results(group: Sequence[_SmallFile], answers: Answers) -> dict[int, FileResult]:
    taken = take_alike([one.table for one in group])
    waiting = _waiting(taken)
    asked = answers.ask(
        [TableToAsk(taken[at].alone(), group[at].table.match, group[at].table.file_sha256) for at in waiting]
    )
    results = {group[at].place: group[at].result(one) for at, one in taken.items()}
    for at, one in zip(waiting, asked, strict=True):
        results[group[at].place] = file_of_tables(group[at].fetched.source, [group[at].table.grid], [one])
    return results


def _waiting(taken: dict[int, TakenTable]) -> list[int]:
    """List the files with cells whose unit is open: what they say of it themselves is asked of each alone."""
    if not taken:
        return []
    whole = next(iter(taken.values())).part.whole
    found = cell_kinds(whole)
    open_kinds = {number for number, kind in enumerate(found.kinds) if kind.waits_for}
    waits = pd.Series(found.number).isin(open_kinds).to_numpy()
    return [number for number, one in taken.items() if waits[one.part.cells.start : one.part.cells.stop].any()]
