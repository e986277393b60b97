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

from pipeline.asking.ask import Answers, AskedFile
from pipeline.asking.layout_use import layout_notices
from pipeline.asking.shapes import headings_of, known_shapes
from pipeline.batch import finish
from pipeline.file_names import legible
from pipeline.ingest.apart import ReaderLimits
from pipeline.ingest.blocks import blocks_of, unread_blocks, with_cover, with_figures
from pipeline.ingest.extract import extract
from pipeline.ingest.file_result import FileResult
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.reading import (
    STANDARD_INPUT,
    STANDARD_INPUT_NAME,
    Unreadable,
    discover,
    grids,
    read_content,
    read_standard_input,
)
from pipeline.problems import no_problems, problem_frame
from pipeline.stages import Silent
from pipeline.store.archive import keep, place
from pipeline.store.database import Store
from pipeline.store.files import known_files
from pipeline.store.shapes import cells_without_unit, kept_shapes

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Sequence
    from pathlib import Path

    from pipeline.asking.ask import AskedTable
    from pipeline.batch import Finished
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

_ANY_SIZE: Final = 1 << 62  # what the archive holds was small enough once


def read_file(
    path: Path,
    settings: Settings,
    layouts: Sequence[Layout],
    already: Container[str] = (),
    answers: Answers | None = None,
) -> FileResult:
    """Take one file from bytes to tables of text; whatever is wrong with it is in the result.

    The bytes are archived before anything is stored of them. A file that cannot be read or that no
    layout fits becomes a notice; it never stops the other files.

    Parameters
    ----------
    path : an existing file, or "-" for standard input.
    settings : of the run.
    layouts : as ``ingest.layouts.load_layouts`` gives them.
    already : SHA-256 of the files the store has; of such a file nothing is read but what an answer is given to now.
    answers : what is known of units.
    """
    limits = ReaderLimits(settings.reader_memory_mb, settings.reader_seconds)
    units, name = answers or Answers(), STANDARD_INPUT_NAME if path == STANDARD_INPUT else legible(path)
    try:
        content = _content(path, settings.max_file_mb * 1_000_000)
    except Unreadable as error:
        return _refused({"file_sha256": "", "name": name, "bytes": 0}, error.code, str(error))
    source = {"file_sha256": content.sha256, "name": name, "bytes": content.size}
    if content.sha256 not in already:
        keep(settings.store, content.sha256, content.data)
        return _read_content(content, source, layouts, units, limits)
    known = {**source, **_EMPTY_LEDGER, "status": "known"}
    if not units.given:
        return FileResult(source=known)
    result = _read_content(content, source, layouts, units, limits)
    if not isinstance(result, AskedFile):
        return FileResult(source=known)
    if not result.source["entries"]:
        return AskedFile(source=known, asked=result.asked)
    told = pd.concat([no_problems(), *(one.notices for one in result.asked)], ignore_index=True)
    return replace(result, source={**result.source, "status": "answered"}, notices=told)


def _content(path: Path, max_bytes: int) -> FileContent:
    if path == STANDARD_INPUT:
        return read_standard_input(max_bytes=max_bytes)
    return read_content(path, max_bytes=max_bytes)


def _read_content(
    content: FileContent, source: dict[str, Any], layouts: Sequence[Layout], answers: Answers, limits: ReaderLimits
) -> FileResult:
    """Take the bytes of a file to tables of text."""
    try:
        tables = grids(content, "cp1252", limits)
    except Unreadable as error:
        return _refused(source, error.code, str(error))
    blocks = with_figures([block for grid in tables for block in blocks_of(grid, layouts, answers.match)])
    fitting = with_cover(blocks)
    if not fitting:
        why = "no heading row with at least two known quantities" if any(map(len, tables)) else "it holds no rows"
        refused = _refused(source, "file-not-understood", why, tables)
        lacking = layout_notices(layouts, tables, (), content.sha256)
        return replace(refused, notices=pd.concat([refused.notices, lacking], ignore_index=True))
    asked = [
        answers.ask(extract(grid, found, content.sha256, content.name), found, content.sha256)
        for grid, found in fitting
    ]
    taken = _taken(source, content, [grid for grid, _ in fitting], asked)
    lacking = layout_notices(layouts, tables, [found for _, found in fitting], content.sha256)
    told = [taken.notices, lacking, *unread_blocks(blocks, content.sha256)]
    return replace(taken, notices=pd.concat(told, ignore_index=True))


def headings_in(store: Path, sha256: str) -> list[list[str]]:
    """Read the headings of every table of a file that the store has, from its archive.

    Parameters
    ----------
    store : the store's file.
    sha256 : of the file.
    """
    content = read_content(place(store, sha256), max_bytes=_ANY_SIZE)
    blocks = [
        block for grid in grids(content, "cp1252") for block in blocks_of(grid, load_layouts(None), Answers().match)
    ]
    return [headings_of(found) for _, found in with_cover(blocks)]


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
    source: dict[str, Any], content: FileContent, grids_read: Sequence[Grid], asked: Sequence[AskedTable]
) -> FileResult:
    """Put the tables of one file together and open its ledger."""
    parts = [one.table for one in asked]
    measured = [part for part in parts if part.kind == "measurements"]
    notices = [grid.notices for grid in grids_read] + [part.notices for part in parts] + [one.notices for one in asked]
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
    kept = [one.kept for one in asked if len(one.kept)]
    return AskedFile(
        source={**source, **ledger},
        tables=tuple(part for part in measured if len(part.cells)),
        set_aside=pd.concat([no_problems(), *(part.set_aside for part in parts)], ignore_index=True),
        notices=pd.concat([no_problems(), *notices], ignore_index=True),
        registers={
            part.kind: part.register for part in parts if part.kind != "measurements" and part.register is not None
        },
        evidence={place: text for one in asked for place, text in one.evidence.items()},
        kept=pd.concat(kept, ignore_index=True) if kept else pd.DataFrame(),
        asked=tuple(asked),
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
    answers : what is known of units.
    """

    files: tuple[Path, ...]
    others: tuple[Path, ...]
    settings: Settings
    started: datetime
    layouts: Sequence[Layout]
    already: Container[str]
    listener: Listener
    answers: Answers

    def read(self, path: Path) -> FileResult:
        """Take one file to tables of text."""
        result = read_file(path, self.settings, self.layouts, self.already, self.answers)
        self.listener.step(legible(path.name))
        return result

    def finish(self, results: Iterable[FileResult]) -> Finished:
        """Join, prove, store and write what was read of all files, in their order.

        Raises
        ------
        KettlestoneError : an answer is to nothing that waits; nothing is stored.
        """
        if self.answers.given:
            results = list(results)
            self.answers.refuse_unused(results)
        return finish(chain(results, map(_other_kind, self.others)), self.settings, self.started, self.listener)


def prepare_intake(
    paths: Sequence[Path], settings: Settings, listener: Listener | None = None, answers: Answers | None = None
) -> Intake:
    """Get ready to read files.

    Parameters
    ----------
    paths : files and folders; folders are searched recursively.
    settings : of the run.
    listener : told of progress.
    answers : units that are answered now, and by whom.

    Raises
    ------
    KettlestoneError : no files, or the store cannot be used; nothing was stored.
    """
    found = discover(paths)
    already, known = _stored(settings, answers or Answers())
    job = Intake(
        files=tuple(found.files),
        others=tuple(found.ignored),
        settings=settings,
        started=datetime.now(UTC),
        layouts=load_layouts(settings.layouts),
        already=already,
        listener=listener or Silent(),
        answers=known,
    )
    job.listener.stage("reading", len(job.files))
    return job


def _stored(settings: Settings, answers: Answers) -> tuple[dict[str, str], Answers]:
    """Look up the files the store has and what it knows of units; nothing where there is none yet, and none is made."""
    if not settings.store.exists():
        return {}, answers
    with Store(settings.store, wait_s=settings.lock_wait_s) as store:
        already, shapes = known_files(store), known_shapes(kept_shapes(store))
        waiting = cells_without_unit(store, already) if answers.given else {}
    return already, replace(answers, shapes=shapes, waiting=waiting)


def run(
    paths: Sequence[Path], settings: Settings, listener: Listener | None = None, answers: Answers | None = None
) -> Finished:
    """Do the main job in this process; parameters and errors are those of ``prepare_intake``.

    Returns
    -------
    Finished : the summary and the batch folder.
    """
    job = prepare_intake(paths, settings, listener, answers)
    return job.finish(map(job.read, job.files))
