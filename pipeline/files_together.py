"""Small files on their way in: those under the same headings are taken to text together.

Most of what a small file costs depends on its headings and not on its rows. Whatever else is in a file, or wrong with
it, is left to ``pipeline.one_file``, which reads it alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.asking.ask import TableToAsk
from pipeline.asking.open_units import cell_kinds
from pipeline.asking.shapes import headings_of, shape_of
from pipeline.file_names import legible
from pipeline.ingest.alike import FileTable, headings_alike, take_alike
from pipeline.ingest.blocks import blocks_of
from pipeline.ingest.file_result import EMPTY_LEDGER, FileResult
from pipeline.ingest.layouts import declared_encoding
from pipeline.ingest.reading import STANDARD_INPUT, grids, is_text, read_content
from pipeline.one_file import file_of_tables, left_out_notice, reader_limits
from pipeline.store.archive import keep_all

if TYPE_CHECKING:
    from collections.abc import Container, Hashable, Iterator, Sequence
    from pathlib import Path

    from pipeline.asking.ask import Answers
    from pipeline.ingest.alike import TakenTable
    from pipeline.ingest.layouts import Layout
    from pipeline.ingest.reading import FileContent
    from pipeline.settings import Settings

_SMALL: Final = 200_000  # bytes; a larger file has rows enough to be read alone
_AT_ONCE: Final = 2_000_000  # bytes of files that are held in memory together


@dataclass(frozen=True)
class _SmallFile:
    """A text file of one table: where it lies, its name as given, and the table."""

    path: Path
    content: FileContent
    table: FileTable

    @property
    def source(self) -> dict[str, Any]:
        """Give how the ledger names the file."""
        return {"file_sha256": self.content.sha256, "name": legible(self.path), "bytes": self.content.size}

    def result(self, taken: TakenTable) -> FileResult:
        """Give what ``one_file`` gives of a file of this one table in which nothing is open."""
        grid, sha256 = self.table.grid, self.content.sha256
        ledger = {
            **self.source,
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
    """Part files, in their order, into those that are read together and those that are read alone."""
    portion: list[Path] = []
    size = 0
    for path in files:
        own = _size(path)
        if portion and (own > _SMALL or size + own > _AT_ONCE):
            yield portion
            portion, size = [], 0
        portion.append(path)
        size += own
        if own > _SMALL:
            yield portion
            portion, size = [], 0
    if portion:
        yield portion


def _size(path: Path) -> int:
    try:
        return _SMALL + 1 if path == STANDARD_INPUT else path.stat().st_size
    except OSError:
        return 0


def read_together(
    files: Sequence[Path],
    settings: Settings,
    layouts: Sequence[Layout],
    already: Container[str],
    answers: Answers,
) -> dict[Path, FileResult]:
    """Read what can be read together among some files, as each of them is read alone.

    Parameters
    ----------
    files : existing ones.
    settings : of the run.
    layouts : as ``ingest.layouts.load_layouts`` gives them.
    already : SHA-256 of the files the store has.
    answers : what is known of units; where some are given now, every file is read alone.

    Returns
    -------
    file → its result; the others are to be read alone.

    Raises
    ------
    KettlestoneError : the bytes cannot be kept.
    """
    if len(files) == 1 or answers.given or any(layout.stated for layout in layouts):
        return {}
    found = [one for path in files if (one := _opened(path, settings, layouts, answers)) is not None]
    fresh = [one for one in found if one.content.sha256 not in already]
    keep_all(settings.store, {one.content.sha256: one.content.data for one in fresh})
    groups: dict[Hashable, list[_SmallFile]] = {}
    for one in fresh:
        groups.setdefault(headings_alike(one.table), []).append(one)
    groups.pop(None, None)
    return {path: result for group in groups.values() for path, result in _of_group(group, answers).items()}


def _opened(path: Path, settings: Settings, layouts: Sequence[Layout], answers: Answers) -> _SmallFile | None:
    """Read a file as far as its table; None for one that holds anything else, and one at which anything fails."""
    limits = reader_limits(settings)
    try:
        content = read_content(path, max_bytes=limits.unpacked_bytes, limits=limits)
        if not is_text(content):
            return None
        blocks = [
            block
            for grid in grids(content, declared_encoding(layouts), limits)
            for block in blocks_of(grid, layouts, answers.match)
        ]
    except Exception:  # noqa: BLE001 - read alone it is told what is wrong with it
        return None
    if len(blocks) > 1 or blocks[0].match is None:
        return None
    return _SmallFile(path, content, FileTable(blocks[0].grid, blocks[0].match, content.sha256))


def _of_group(group: Sequence[_SmallFile], answers: Answers) -> dict[Path, FileResult]:
    shape = shape_of(headings_of(group[0].table.match))
    if len(group) == 1 or any(known.shape == shape for known in answers.shapes):
        return {}
    try:
        return _results(group, answers)
    except Exception:  # noqa: BLE001 - each is read alone, and the one at fault is told
        return {}


def _results(group: Sequence[_SmallFile], answers: Answers) -> dict[Path, FileResult]:
    taken = take_alike([one.table for one in group])
    waiting = _waiting(taken)
    asked = answers.ask(
        [TableToAsk(taken[at].alone(), group[at].table.match, group[at].content.sha256) for at in waiting]
    )
    results = {group[at].path: group[at].result(one) for at, one in taken.items()}
    for at, one in zip(waiting, asked, strict=True):
        results[group[at].path] = file_of_tables(group[at].source, [group[at].table.grid], [one])
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
