"""The main job: read files, prove their records, store everything, write the summaries.

`prepare_intake` lists the files, `read_file` takes one file to tables of text; what comes then is told in
``pipeline.batch``. `run` does all of it in one process, ``pipeline.flow`` as a Prefect flow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.batch import finish
from pipeline.file_names import legible
from pipeline.ingest.blocks import blocks_of, unread_blocks, with_cover
from pipeline.ingest.extract import extract
from pipeline.ingest.file_result import FileResult
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.reading import Unreadable, discover, grids, read_content
from pipeline.problems import no_problems, problem_frame
from pipeline.stages import Silent
from pipeline.store.archive import keep
from pipeline.store.database import Store
from pipeline.store.files import known_files

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Sequence
    from pathlib import Path

    from pipeline.batch import Finished
    from pipeline.ingest.extract import Extract
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layouts import Layout
    from pipeline.ingest.reading import FileContent
    from pipeline.settings import Settings
    from pipeline.stages import Listener


_EMPTY_LEDGER: Final[dict[str, Any]] = {
    "layout": "",
    "encoding": "",
    "delimiter": "",
    "decimal_mark": "",
    "lines": 0,
    "entries": 0,
    "accepted": 0,
    "set_aside": 0,
}


def read_file(path: Path, settings: Settings, layouts: Sequence[Layout], already: Container[str] = ()) -> FileResult:
    """Take one file from bytes to tables of text; whatever is wrong with it is in the result.

    The bytes are archived before anything is stored of them. A file that cannot be read or that no
    layout fits becomes a notice; it never stops the other files.

    Parameters
    ----------
    path : an existing file.
    settings : of the run.
    layouts : as ``ingest.layouts.load_layouts`` gives them.
    already : SHA-256 of the files the store has; such a file is not read again.
    """
    try:
        content = read_content(path, max_bytes=settings.max_file_mb * 1_000_000)
    except Unreadable as error:
        return _refused({"file_sha256": "", "name": legible(path), "bytes": 0}, error.code, str(error))
    source = {"file_sha256": content.sha256, "name": legible(path), "bytes": content.size}
    if content.sha256 in already:
        return FileResult(source={**source, **_EMPTY_LEDGER, "status": "known"})
    keep(settings.store, content.sha256, content.data)
    return _read_content(content, source, layouts)


def _read_content(content: FileContent, source: dict[str, Any], layouts: Sequence[Layout]) -> FileResult:
    """Take the bytes of a file to tables of text."""
    try:
        tables = grids(content, "cp1252")
    except Unreadable as error:
        return _refused(source, error.code, str(error))
    blocks = [block for grid in tables for block in blocks_of(grid, layouts)]
    fitting = with_cover(blocks)
    if not fitting:
        why = "no heading row with at least two known quantities" if any(map(len, tables)) else "it holds no rows"
        return _refused(source, "file-not-understood", why, tables)
    parts = [extract(grid, found, content.sha256, content.name) for grid, found in fitting]
    taken = _taken(source, content, [grid for grid, _ in fitting], parts)
    return replace(taken, notices=pd.concat([taken.notices, *unread_blocks(blocks, content.sha256)], ignore_index=True))


def _refused(source: dict[str, Any], code: str, why: str, tables: Sequence[Grid] = ()) -> FileResult:
    notice = _notice(code, source["file_sha256"], why)
    lines = max((int(grid.line[-1]) for grid in tables if len(grid)), default=0)
    ledger = {**_EMPTY_LEDGER, "lines": lines, "status": "not understood"}
    notices = pd.concat([notice, *(grid.notices for grid in tables)], ignore_index=True)
    return FileResult(source={**source, **ledger}, notices=notices)


def _other_kind(path: Path) -> FileResult:
    """List a file of a folder that is of no kind that can be read, so that nobody takes it for read."""
    kind = legible(path.suffix.lower()) or "nameless"
    source = {"file_sha256": "", "name": legible(path), "bytes": 0, **_EMPTY_LEDGER, "status": "not read"}
    return FileResult(source=source, notices=_notice("file-kind", "", kind))


def _notice(code: str, sha256: str, why: str) -> pd.DataFrame:
    return problem_frame(code, file_sha256=sha256, line=0, column="", raw_text="", detail=why)


def _taken(
    source: dict[str, Any], content: FileContent, grids_read: Sequence[Grid], parts: Sequence[Extract]
) -> FileResult:
    """Put the tables of one file together and open its ledger."""
    measured = [part for part in parts if part.kind == "measurements"]
    notices = [grid.notices for grid in grids_read] + [part.notices for part in parts]
    entries = sum(part.entries for part in parts)
    if left_out := [name for part in parts for name in part.left_out]:
        notices.append(_notice("columns-left-out", content.sha256, _columns(left_out)))
    if measured and not entries:
        notices.append(_notice("file-empty", content.sha256, ""))
    ledger = {
        "layout": ", ".join(dict.fromkeys(part.layout for part in parts)),
        "encoding": grids_read[0].encoding,
        "delimiter": grids_read[0].delimiter,
        "decimal_mark": "",
        "lines": max((int(grid.line[-1]) for grid in grids_read if len(grid)), default=0),
        "entries": entries,
        "accepted": 0,
        "set_aside": 0,
        "status": "read" if measured else "register",
    }
    return FileResult(
        source={**source, **ledger},
        tables=tuple(part for part in measured if len(part.cells)),
        set_aside=pd.concat([no_problems(), *(part.set_aside for part in parts)], ignore_index=True),
        notices=pd.concat([no_problems(), *notices], ignore_index=True),
        registers={
            part.kind: part.register for part in parts if part.kind != "measurements" and part.register is not None
        },
    )


def _columns(names: Sequence[str]) -> str:
    named = ", ".join(f'"{name}"' for name in names)
    return f"the column {named}" if len(names) == 1 else f"{len(names)} columns: {named}"


@dataclass(frozen=True)
class Intake:
    """The main job on some files: ``read`` takes one after the other, ``finish`` all that was read.

    Attributes
    ----------
    files : to read, in a stable order.
    others : what folders hold beside them: files of other kinds, folders that may not be opened.
    settings : of the run.
    started : when the run began, UTC.
    layouts : those of the settings before the built-in ones.
    already : SHA-256 of the files the store has.
    listener : told of progress.
    """

    files: tuple[Path, ...]
    others: tuple[Path, ...]
    settings: Settings
    started: datetime
    layouts: Sequence[Layout]
    already: Container[str]
    listener: Listener

    def read(self, path: Path) -> FileResult:
        """Take one file to tables of text."""
        result = read_file(path, self.settings, self.layouts, self.already)
        self.listener.step(legible(path.name))
        return result

    def finish(self, results: Iterable[FileResult]) -> Finished:
        """Join, prove, store and write what was read of all files, in their order."""
        return finish(chain(results, map(_other_kind, self.others)), self.settings, self.started, self.listener)


def prepare_intake(paths: Sequence[Path], settings: Settings, listener: Listener | None = None) -> Intake:
    """Get ready to read files.

    Parameters
    ----------
    paths : files and folders; folders are searched recursively.
    settings : of the run.
    listener : told of progress.

    Raises
    ------
    KettlestoneError : no files, or the store cannot be used; nothing was stored.
    """
    found = discover(paths)
    job = Intake(
        files=tuple(found.files),
        others=tuple(found.ignored),
        settings=settings,
        started=datetime.now(UTC),
        layouts=load_layouts(settings.layouts),
        already=_stored_files(settings),
        listener=listener or Silent(),
    )
    job.listener.stage("reading", len(job.files))
    return job


def _stored_files(settings: Settings) -> dict[str, str]:
    """Look up the files the store has; none where there is no store yet, and none is made."""
    if not settings.store.exists():
        return {}
    with Store(settings.store, wait_s=settings.lock_wait_s) as store:
        return known_files(store)


def run(paths: Sequence[Path], settings: Settings, listener: Listener | None = None) -> Finished:
    """Do the main job in this process; parameters and errors are those of ``prepare_intake``.

    Returns
    -------
    Finished : the summary and the batch folder.
    """
    job = prepare_intake(paths, settings, listener)
    return job.finish(map(job.read, job.files))
