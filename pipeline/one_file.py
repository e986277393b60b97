"""One file on its way in: from bytes to tables of text, whatever is wrong with it told in the result."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.asking.ask import Answers, AskedFile, TableToAsk
from pipeline.asking.layout_use import layout_notices
from pipeline.asking.shapes import headings_of
from pipeline.fault_log import Fault
from pipeline.fetching import fetch
from pipeline.file_names import legible
from pipeline.ingest.blocks import blocks_of, unread_blocks, with_cover, with_figures
from pipeline.ingest.extract import extract
from pipeline.ingest.file_result import EMPTY_LEDGER, FileResult, notice, unread_file
from pipeline.ingest.layouts import declared_encoding, load_layouts
from pipeline.ingest.reader_limits import ReaderLimits
from pipeline.ingest.reading import grids, read_content
from pipeline.ingest.titles import with_titles
from pipeline.ingest.unreadable import Unreadable
from pipeline.problems import KettlestoneError, no_problems
from pipeline.store.archive import place

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Mapping, Sequence
    from pathlib import Path

    from pipeline.asking.ask import AskedTable
    from pipeline.fault_log import FaultLog
    from pipeline.fetching import Fetched
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layouts import Layout
    from pipeline.ingest.reading import FileContent
    from pipeline.settings import Settings

_MEGABYTE: Final = 1_000_000
_ANY_SIZE: Final = 1 << 62  # what the archive holds was small enough once


def read_file(
    path: Path,
    settings: Settings,
    layouts: Sequence[Layout],
    already: Container[str] = (),
    answers: Answers | None = None,
    log: FaultLog | None = None,
) -> FileResult:
    """Take one file from its place on disk to tables of text; parameters as of ``fetch`` and ``read_fetched``."""
    [fetched] = fetch([path], settings.store, reader_limits(settings), already)
    return read_fetched(fetched, settings, layouts, answers, log)


def read_fetched(
    fetched: Fetched,
    settings: Settings,
    layouts: Sequence[Layout],
    answers: Answers | None = None,
    log: FaultLog | None = None,
) -> FileResult:
    """Take one file from bytes to tables of text; whatever is wrong with it is in the result.

    A file that cannot be read or that no layout fits becomes a notice; it never stops the other files.

    Parameters
    ----------
    fetched : the file; of one that the store has nothing is read but what an answer is given to now.
    settings : of the run.
    layouts : as ``ingest.layouts.load_layouts`` gives them.
    answers : what is known of units.
    log : takes up what the program itself fails at: that file is told as unreadable; without a log it is raised.
    """
    answers = answers or Answers()
    try:
        content = fetched.readable()
        if fetched.known and not answers.given:
            return FileResult(source={**fetched.source, **EMPTY_LEDGER, "status": "known"})
        result = _read_content(content, fetched.source, layouts, answers, reader_limits(settings), log)
    except Unreadable as error:
        result = unread_file(fetched.source, error.code, str(error))
    except KettlestoneError:
        raise
    except Exception as error:
        if log is None:
            raise
        result = faulty(fetched.source, error, log)
    return _answered(result) if fetched.known else result


def faulty(source: Mapping[str, Any], error: Exception, log: FaultLog) -> FileResult:
    """Give the result of a file at which the program itself failed; the log has the traceback.

    Parameters
    ----------
    source : its `file_sha256 name bytes`.
    error : what was raised.
    log : of the run.
    """
    log.add(str(source["name"]), error)
    return unread_file(source, "file-unreadable", f"{Fault(str(source['name']), error).words}; see {log.name}")


def _answered(result: FileResult) -> FileResult:
    """Keep of a file that the store has only what an answer was given to now."""
    known = {**result.source, **EMPTY_LEDGER, "status": "known"}
    if not isinstance(result, AskedFile):
        return FileResult(source=known)
    if not result.source["entries"]:
        return AskedFile(source=known, asked=result.asked)
    told = pd.concat([no_problems(), *(one.notices for one in result.asked)], ignore_index=True)
    return replace(result, source={**result.source, "status": "answered"}, notices=told)


def reader_limits(settings: Settings) -> ReaderLimits:
    """Give what reading a file may cost."""
    stated = [one.name for one in fields(ReaderLimits) if one.name != "unpacked_bytes"]
    return ReaderLimits(
        **{name: getattr(settings, f"reader_{name}") for name in stated},
        unpacked_bytes=settings.max_file_mb * _MEGABYTE,
    )


def _read_content(
    content: FileContent,
    source: dict[str, Any],
    layouts: Sequence[Layout],
    answers: Answers,
    limits: ReaderLimits,
    log: FaultLog | None,
) -> FileResult:
    """Take the bytes of a file to tables of text; a sheet that fails is left out and named."""
    tables = grids(content, declared_encoding(layouts), limits)

    def understood(sheets: Sequence[Grid]) -> FileResult:
        return _understood(content, source, sheets, layouts, answers)

    try:
        return understood(tables)
    except KettlestoneError:
        raise
    except Exception as error:
        sound, faults = _sound_sheets(tables, understood)
        if log is None or not faults or not sound:
            raise
        result = understood(sound)
        told = [notice("sheet-unreadable", content.sha256, fault.words, fault.subject) for fault in faults]
        log.add(f"{content.name}, {', '.join(fault.subject for fault in faults)}", error)
        return replace(result, notices=pd.concat([result.notices, *told], ignore_index=True))


def _sound_sheets(
    sheets: Sequence[Grid], understood: Callable[[Sequence[Grid]], FileResult]
) -> tuple[list[Grid], list[Fault]]:
    """Try every sheet of a file alone: those that can be taken to tables, and the faults of the others."""
    sound, faults = [], []
    for sheet in sheets:
        try:
            understood([sheet])
        except Exception as error:  # noqa: BLE001 - whatever is wrong with one sheet must not take the others along
            faults.append(Fault(sheet.sheet, error))
        else:
            sound.append(sheet)
    return sound, faults


def _understood(
    content: FileContent, source: dict[str, Any], tables: Sequence[Grid], layouts: Sequence[Layout], answers: Answers
) -> FileResult:
    """Find the tables in the grids of a file and take them to text."""
    blocks = with_figures([block for grid in tables for block in blocks_of(grid, layouts, answers.match)])
    fitting = with_titles(with_cover(blocks))
    if not fitting:
        why = "no heading row with at least two known quantities" if any(map(len, tables)) else "it holds no rows"
        result = unread_file(source, "file-not-understood", why, tables)
        lacking = layout_notices(layouts, tables, (), content.sha256)
        return replace(result, notices=pd.concat([result.notices, lacking], ignore_index=True))
    texts = [extract(grid, found, content.sha256, content.name) for grid, found in fitting]
    asked = answers.ask(
        [TableToAsk(text, found, content.sha256) for text, (_, found) in zip(texts, fitting, strict=True)]
    )
    taken = file_of_tables(source, [grid for grid, _ in fitting], asked)
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
    return headings_of_file(place(store, sha256))


def headings_of_file(path: Path) -> list[list[str]]:
    """Read the headings of every table of a file of the archive."""
    content = read_content(path, max_bytes=_ANY_SIZE)
    blocks = [block for grid in grids(content) for block in blocks_of(grid, load_layouts(None), Answers().match)]
    return [headings_of(found) for _, found in with_cover(blocks)]


def other_kind(path: Path) -> FileResult:
    """List a file of a folder that is of no kind that can be read, so that nobody takes it for read."""
    kind = legible(path.suffix.lower()) or "nameless"
    source = {"file_sha256": "", "name": legible(path), "bytes": 0, **EMPTY_LEDGER, "status": "not read"}
    return FileResult(source=source, notices=notice("file-kind", "", kind))


def file_of_tables(source: Mapping[str, Any], grids_read: Sequence[Grid], asked: Sequence[AskedTable]) -> FileResult:
    """Put the tables of one file together and open its ledger.

    Parameters
    ----------
    source : its `file_sha256 name bytes`.
    grids_read : what its tables were read from.
    asked : its tables, at least one.
    """
    sha256 = str(source["file_sha256"])
    parts = [one.table for one in asked]
    measured = [part for part in parts if part.kind == "measurements"]
    notices = [grid.notices for grid in grids_read] + [part.notices for part in parts] + [one.notices for one in asked]
    entries = sum(part.entries for part in parts)
    if left_out := [name for part in parts for name in part.left_out]:
        notices.append(left_out_notice(left_out, sha256))
    if measured and not entries:
        notices.append(notice("file-empty", sha256, ""))
    ledger = {
        **EMPTY_LEDGER,
        "layout": ", ".join(dict.fromkeys(part.layout for part in parts)),
        "encoding": grids_read[0].encoding,
        "delimiter": grids_read[0].delimiter,
        "lines": max((int(grid.line[-1]) for grid in grids_read if len(grid)), default=0),
        "entries": entries,
        "shape": " ".join(sorted({one.shape for one in asked})),
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


def left_out_notice(names: Sequence[str], sha256: str) -> pd.DataFrame:
    """Tell of columns that nothing was read from."""
    named = ", ".join(f'"{name}"' for name in names)
    columns = f"the column {named}" if len(names) == 1 else f"{len(names)} columns: {named}"
    return notice("columns-left-out", sha256, columns)
