"""Make a store anew from archive and journal: every change is done again, in its order and under its number."""

from __future__ import annotations

import shutil
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.asking.answers import UnitAnswer
from pipeline.asking.ask import Answers
from pipeline.deciding.answer import Answer
from pipeline.deciding.decide import decide_all
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.fetching import fetch_named
from pipeline.ingest.file_result import EMPTY_LEDGER, FileResult
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.reading import read_content
from pipeline.intake import Intake, stored_knowledge
from pipeline.one_file import headings_of_file, read_fetched, reader_limits
from pipeline.problems import no_problems, problem_frame
from pipeline.settings import Settings
from pipeline.stages import Silent
from pipeline.store.archive import keep, place_in
from pipeline.store.batch_record import utc
from pipeline.store.database import Store
from pipeline.store.equality import differences
from pipeline.store.files import file_names
from pipeline.store.journal import Journal, broken_links, replaying, row_counts
from pipeline.store.registers import enter
from pipeline.store.shapes import forget_shape
from pipeline.store.site_records import add_advice

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pipeline.ingest.reader_limits import ReaderLimits
    from pipeline.ingest.reading import FileContent
    from pipeline.store.journal import JournalEntry, JournalState

_OF_REMARK: Final = ("line", "column", "raw_text", "detail")
_ANY_SIZE: Final = 1 << 62  # what the archive holds was small enough once


@dataclass(frozen=True)
class _Replayed(Settings):
    """The settings of a run that is done again, which the store keeps as they were."""

    recorded: Mapping[str, Any] | None = None

    def plain(self) -> dict[str, Any]:
        return dict(self.recorded or {})


@dataclass(frozen=True)
class Restored:
    """A store made anew.

    Attributes
    ----------
    changes : those that were done again.
    remarks : what is not as it was, in words; nothing where all is.
    """

    changes: tuple[JournalEntry, ...]
    remarks: tuple[str, ...] = ()


def restore(archive: Path, target: Path, journal: Path | None = None) -> Restored:
    """Make a store from an archive and its journal.

    Parameters
    ----------
    archive : folder of the archived files; the journal lies in it.
    target : the file of the new store; its archive and journal will lie beside it as usual.
    journal : which one, where the archive has several and none has the name of the target.

    Raises
    ------
    KettlestoneError : the target is there already, there is no journal, a file of the archive is missing, or a
        change cannot be done again; nothing was made.
    """
    if target.exists():
        raise KettlestoneError(f"{target}: there is a file already. {UNCHANGED}\n  Give a name that is free.")
    chosen = journal or _journal_of(archive, target)
    own = Journal.of(target)
    if own.path.exists() and own.path.resolve() != chosen.resolve():
        raise KettlestoneError(f"{own.path}: there is a journal of another store already. {UNCHANGED}")
    with rebuilt(archive, chosen, target.name, target.parent) as (fresh, restored):
        _publish(archive, chosen, fresh, target, restored)
    return restored


def unequal(store: Path, wait_s: float) -> list[str]:
    """Make a store anew beside itself and list where the two differ; nothing where they are equal.

    Raises
    ------
    KettlestoneError : it cannot be made anew.
    """
    archive = store.parent / "archive"
    with (
        tempfile.TemporaryDirectory(prefix="kettlestone-") as folder,
        rebuilt(archive, Journal.of(store).path, store.name, Path(folder)) as (fresh, restored),
        Store(store, read_only=True, wait_s=wait_s) as opened,
    ):
        return [*restored.remarks, *differences(opened, fresh)]


@contextmanager
def rebuilt(archive: Path, journal: Path, name: str, beside: Path) -> Iterator[tuple[Path, Restored]]:
    """Rebuild a store in a folder of its own, which goes when the block ends."""
    state = Journal(journal).read()
    entries, remarks = _usable(state)
    if not entries:
        raise KettlestoneError(f"{journal}: the journal holds no change. {UNCHANGED}")
    beside.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".kettlestone-", dir=beside, ignore_cleanup_errors=True) as folder:
        fresh = Path(folder) / name
        for entry in entries:
            _do_again(entry, archive, fresh)
        with Store(fresh) as store:
            remarks += _as_it_was(store, entries)
        yield fresh, Restored(tuple(entries), tuple(remarks))


def _journal_of(archive: Path, target: Path) -> Path:
    found = sorted(archive.glob("*.journal"))
    named = [path for path in found if path.name == f"{target.name}.journal"]
    if len(named or found) != 1:
        listed = ", ".join(path.name for path in found)
        what = f"several journals: {listed}. Say which with --journal" if found else "no journal"
        raise KettlestoneError(f"{archive}: it holds {what}. {UNCHANGED}")
    return (named or found)[0]


def _usable(state: JournalState) -> tuple[list[JournalEntry], list[str]]:
    """Give the changes that are to be done again: from the last whole copy on, to where the journal is damaged."""
    entries = state.stored
    remarks = [f"line {line} of the journal is damaged" for line in state.damaged]
    if gaps := broken_links(state.entries):
        remarks.append(f"the journal is not whole before change {gaps[0]}; that and what came later was not done again")
        entries = [entry for entry in entries if entry.number < gaps[0]]
    bases = [place for place, entry in enumerate(entries) if entry.change.kind == "base"]
    return entries[bases[-1] if bases else 0 :], remarks


def _as_it_was(store: Store, entries: list[JournalEntry]) -> list[str]:
    """Give batches their times, and compare how many rows there are with what the journal counted."""
    for entry in entries:
        if entry.change.kind == "intake":
            store.connection.execute(
                "UPDATE batch SET finished_at = ?, version = ? WHERE batch_id = ?",
                [utc(entry.change.what["finished_at"]), entry.version, entry.change.what["batch_id"]],
            )
    counts, before = row_counts(store.connection), entries[-1].rows
    return [
        f"{name}: {counts[name]} rows, and {before[name]} when they were stored by version {entries[-1].version}"
        for name in counts
        if name in before and counts[name] != before[name]
    ]


def _publish(archive: Path, journal: Path, fresh: Path, target: Path, restored: Restored) -> None:
    """Put the archived files and the journal beside the place of the store, and then the store there."""
    home = target.parent / "archive"
    if home.resolve() != archive.resolve():
        with Store(fresh, read_only=True) as store:
            for sha256 in file_names(store):
                if sha256:
                    keep(target, sha256, place_in(archive, sha256).read_bytes())
        for entry in restored.changes:
            if entry.change.kind == "base":
                shutil.copyfile(archive / entry.change.what["copy"], home / entry.change.what["copy"])
    own, whole = Journal.of(target), [entry.number for entry in Journal(journal).read().stored]
    if own.path.exists() and whole[-1] != restored.changes[-1].number:
        own.path.rename(own.path.with_name(f"{own.path.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%S}"))
    if not own.path.exists():
        own.write(restored.changes)
    fresh.replace(target)


def _do_again(entry: JournalEntry, archive: Path, store: Path) -> None:
    again = _KINDS.get(entry.change.kind)
    if again is None:
        raise KettlestoneError(f"change {entry.number} is of a kind that cannot be done again: {entry.change.kind}.")
    try:
        with replaying(entry):
            again(entry.change.what, archive, store)
    except KettlestoneError as error:
        raise KettlestoneError(
            f"change {entry.number} ({entry.change.kind}, {entry.moment}) cannot be done again:\n  {error}\n"
            f"  {UNCHANGED}"
        ) from error


def _base(what: Mapping[str, Any], archive: Path, store: Path) -> None:
    copy = archive / str(what["copy"])
    if not copy.is_file():
        raise KettlestoneError(f"{copy}: the copy of the store with which the journal begins is not there.")
    shutil.copyfile(copy, store)
    with Store(store) as opened, opened.transaction():
        pass


def _settings(recorded: Mapping[str, Any], store: Path) -> _Replayed:
    """Take the settings of the run as they were, but for places."""
    plain = {one.name: recorded[one.name] for one in fields(Settings) if one.name in recorded}
    for name in ("layouts", "kits", "logo", "out", "store"):
        plain.pop(name, None)
    return _Replayed(**plain, out=store.parent / "out", store=store, recorded=recorded)


def _intake(what: Mapping[str, Any], archive: Path, store: Path) -> None:
    settings = _settings(what["settings"], store)
    with tempfile.TemporaryDirectory(dir=store.parent) as folder:
        for number, text in enumerate(what["layouts"]):
            (Path(folder) / f"{number:04}.json").write_text(text, encoding="utf-8")
        layouts = load_layouts(Path(folder))
    answers = Answers(given=tuple(UnitAnswer(**one) for one in what["answers"]), by=what["by"])
    already, known = stored_knowledge(settings, answers)
    started = datetime.fromisoformat(what["started"])
    job = Intake((), (), settings, started, layouts, already, Silent(), known)
    job.finish(_result(file, what["unread"], job, archive) for file in what["files"])


def _result(file: Mapping[str, Any], unread: list[dict[str, Any]], job: Intake, archive: Path) -> FileResult:
    """Read a file from the archive; of one whose bytes are not there, tell what was told of it."""
    called, sha256 = str(file["name"]), str(file["file_sha256"])
    if not sha256:
        remarks = [
            problem_frame(row["problem"], file_sha256="", **{name: row[name] for name in _OF_REMARK})
            for row in unread
            if row["name"] == called
        ]
        source = {"file_sha256": "", "name": called, "bytes": file["bytes"], **EMPTY_LEDGER, "status": file["status"]}
        return FileResult(source=source, notices=pd.concat([no_problems(), *remarks], ignore_index=True))
    kept = place_in(archive, sha256)
    if not kept.is_file():
        raise KettlestoneError(f"{kept}: this file of the archive is missing ({called}). Put it back there.")

    def content_of(limits: ReaderLimits) -> FileContent:
        return replace(read_content(kept, max_bytes=_ANY_SIZE, limits=limits), name=Path(called).name)

    limits = reader_limits(job.settings)
    [fetched] = fetch_named([(called, content_of)], job.settings.store, limits, job.already)
    return read_fetched(fetched, job.settings, job.layouts, job.answers, job.log)


def _decide(what: Mapping[str, Any], archive: Path, store: Path) -> None:
    def headings(_: Path, sha256: str) -> list[list[str]]:
        return headings_of_file(place_in(archive, sha256))

    given = [Answer(**one) for one in what["answers"]]
    now = datetime.fromisoformat(what["now"])
    decide_all(_settings(what["settings"], store), given, now, headings if what["headings"] else None)


def _register(what: Mapping[str, Any], _archive: Path, store: Path) -> None:
    said = {name: what[name] for name in ("kind", "site", "values")}
    with Store(store) as opened:
        enter(opened, **said, by=what["by"], why=what["why"], now=datetime.fromisoformat(what["now"]))


def _forget(what: Mapping[str, Any], _archive: Path, store: Path) -> None:
    with Store(store) as opened:
        forget_shape(opened, what["shape"], by=what["by"], now=datetime.fromisoformat(what["now"]))


def _advice(what: Mapping[str, Any], _archive: Path, store: Path) -> None:
    with Store(store) as opened:
        add_advice(opened, pd.DataFrame(what["rows"]))


_KINDS: Final = {
    "base": _base,
    "intake": _intake,
    "decide": _decide,
    "register": _register,
    "forget": _forget,
    "advice": _advice,
}
