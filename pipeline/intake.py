"""The main job: read files, prove their records, store everything, write the summaries.

`plan` lists the files, `read_file` takes one file to readings, `finish` joins all files into samples,
checks them, stores the batch and writes its folder. `run` wires the three for one process;
``pipeline.flow`` wires the same three as a Prefect flow.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.ingest.extract import extract
from pipeline.ingest.layouts import load, match
from pipeline.ingest.reading import Discovered, Unreadable, discover, grids, read
from pipeline.normalise.readings import NormaliseSettings, normalise
from pipeline.normalise.stacking import stacked, stacked_rows
from pipeline.problems import no_problems, problem_frame
from pipeline.proving import finish
from pipeline.stages import FileResult, Silent
from pipeline.store.archive import keep
from pipeline.store.database import Store
from pipeline.store.read import known_files

if TYPE_CHECKING:
    from collections.abc import Container, Sequence
    from pathlib import Path

    from pipeline.ingest.extract import Extract
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layouts import Layout
    from pipeline.ingest.reading import FileContent
    from pipeline.proving import Finished
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


def plan(paths: Sequence[Path]) -> Discovered:
    """List the files to read: folders recursively, everything in a stable order."""
    return discover(paths)


def read_file(path: Path, settings: Settings, layouts: Sequence[Layout], already: Container[str] = ()) -> FileResult:
    """Take one file from bytes to readings; whatever is wrong with it is in the result.

    The bytes are archived before anything is made of them. A file that cannot be read or that no
    layout fits becomes a notice; it never stops the other files.

    Parameters
    ----------
    path : an existing file.
    settings : of the run.
    layouts : as ``ingest.layouts.load`` gives them.
    already : SHA-256 of the files the store has; such a file is not read again.
    """
    try:
        content = read(path, max_bytes=settings.max_file_mb * 1_000_000)
    except Unreadable as error:
        return _refused({"file_sha256": "", "name": str(path), "bytes": 0}, error.code, str(error))
    source = {"file_sha256": content.sha256, "name": str(path), "bytes": content.size}
    if content.sha256 in already:
        return FileResult(source={**source, **_EMPTY_LEDGER, "status": "known"})
    keep(settings.store, content.sha256, content.data)
    try:
        tables = grids(content, "cp1252")
    except Unreadable as error:
        return _refused(source, error.code, str(error))
    fitting = [(grid, found) for grid in tables if (found := match(grid, layouts)) is not None]
    if not fitting:
        why = "no heading row with at least two known quantities" if any(map(len, tables)) else "it holds no rows"
        return _refused(source, "file-not-understood", why, tables)
    parts = [extract(grid, found, content.sha256, content.name) for grid, found in fitting]
    return _joined(source, content, [grid for grid, _ in fitting], parts, settings)


def _refused(source: dict[str, Any], code: str, why: str, tables: Sequence[Grid] = ()) -> FileResult:
    notice = _notice(code, source["file_sha256"], why)
    lines = max((int(grid.line[-1]) for grid in tables if len(grid)), default=0)
    ledger = {**_EMPTY_LEDGER, "lines": lines, "status": "not understood"}
    notices = pd.concat([notice, *(grid.notices for grid in tables)], ignore_index=True)
    return FileResult(source={**source, **ledger}, notices=notices)


def _notice(code: str, sha256: str, why: str) -> pd.DataFrame:
    return problem_frame(code, file_sha256=sha256, line=0, column="", raw_text="", detail=why)


def _joined(
    source: dict[str, Any],
    content: FileContent,
    tables: Sequence[Grid],
    parts: Sequence[Extract],
    settings: Settings,
) -> FileResult:
    """Normalise every sheet and put them one after the other."""
    measured = [part for part in parts if part.kind == "measurements"]
    how = NormaliseSettings(time_zone=settings.time_zone)
    done = [normalise(part, content.sha256, how) for part in measured if len(part.cells)]
    rows, readings, offset = [], [], 0
    for one in done:
        rows.append(one.rows.assign(file_sha256=content.sha256))
        readings.append(one.readings.assign(row=one.readings["row"] + offset))
        offset += len(one.rows)
    set_aside = [part.set_aside for part in parts] + [one.set_aside for one in done]
    notices = [grid.notices for grid in tables] + [part.notices for part in parts] + [one.notices for one in done]
    entries = sum(part.entries for part in parts)
    if measured and not entries:
        notices.append(_notice("file-empty", content.sha256, ""))
    aside = sum(len(frame) for frame in set_aside)
    accepted = sum(len(one.readings) for one in done)
    if entries != accepted + aside:
        raise RuntimeError(f"{source['name']}: {entries} entries read, but {accepted} accepted + {aside} set aside")
    ledger = {
        "layout": ", ".join(dict.fromkeys(part.layout for part in parts)),
        "encoding": tables[0].encoding,
        "delimiter": tables[0].delimiter,
        "decimal_mark": ", ".join(dict.fromkeys(one.decimal_mark for one in done if one.decimal_mark)),
        "lines": max((int(grid.line[-1]) for grid in tables if len(grid)), default=0),
        "entries": entries,
        "accepted": accepted,
        "set_aside": aside,
        "status": "read" if measured else "register",
    }
    return FileResult(
        source={**source, **ledger},
        rows=stacked_rows(rows) if rows else pd.DataFrame(),
        readings=stacked(readings) if readings else pd.DataFrame(),
        set_aside=pd.concat([no_problems(), *set_aside], ignore_index=True),
        notices=pd.concat([no_problems(), *notices], ignore_index=True),
        registers={
            part.kind: part.register for part in parts if part.kind != "measurements" and part.register is not None
        },
    )


def run(paths: Sequence[Path], settings: Settings, listener: Listener | None = None) -> Finished:
    """Do the main job in this process.

    Parameters
    ----------
    paths : files and folders.
    settings : of the run.
    listener : told of progress.

    Returns
    -------
    Finished : the summary, the batch folder and its id.

    Raises
    ------
    KettlestoneError : no files, or the store cannot be used; nothing was stored.
    """
    heard = listener or Silent()
    started = datetime.now(UTC)
    found = plan(paths)
    layouts = load(settings.layouts)
    with Store(settings.store, wait_s=settings.lock_wait_s) as store:
        already = known_files(store)
    heard.stage("reading", len(found.files))
    results = []
    for path in found.files:
        results.append(read_file(path, settings, layouts, already))
        heard.step(path.name)
    return finish(results, settings, started, heard)
