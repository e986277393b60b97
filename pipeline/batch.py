"""The story of a batch: what was read is gathered, joined into samples, proved, stored and written."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline import __version__
from pipeline.assess.machines import machines_with
from pipeline.assess.suitability import Assessment, assess, held_samples
from pipeline.checks.limits import Limits
from pipeline.checks.record_dates import DateLimits
from pipeline.checks.run import is_control
from pipeline.deciding.following import follow_answers
from pipeline.deciding.repeats import close_repeats
from pipeline.engine.engine import HERE
from pipeline.fault_log import Fault, FaultLog
from pipeline.fault_notices import fault_notices
from pipeline.gathering import gather
from pipeline.intake_change import intake_change
from pipeline.joining import join, ownerless
from pipeline.judged_again import told_of_earlier, with_judged_again
from pipeline.memory import give_back
from pipeline.normalise.stacking import stacked_frames
from pipeline.prove import prove
from pipeline.register_words import unknown_words
from pipeline.report.batch.contents import Batch
from pipeline.report.batch.coverage import waiting_columns
from pipeline.report.batch.folder import BatchFolder, folder_for
from pipeline.report.batch.summary import summarise, worst
from pipeline.stages import Silent
from pipeline.store.appender import appending
from pipeline.store.batch_record import new_batch_id, utc
from pipeline.store.database import Store, start
from pipeline.store.files import file_names, known_files, stored_batches
from pipeline.store.frames import next_number
from pipeline.stored_batch import as_it_stands

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from pipeline.arrays import Flags
    from pipeline.checks.run import Checked
    from pipeline.engine.engine import Engine
    from pipeline.gathering import Gathered, Taken
    from pipeline.joining import Joined
    from pipeline.prove import Proof
    from pipeline.settings import Settings
    from pipeline.stages import Listener
    from pipeline.store.appender import Appender

_SILENT: Final = Silent()
_DATABASE_THREADS: Final = 1  # so that the work beside it keeps a processor
_DATABASE_MEMORY: Final = "120MB"  # beside the frames of a batch; six million readings go through it


@dataclass(frozen=True)
class Finished:
    """A batch that is stored and written: its summary and its folder; nothing is of files that the store has."""

    summary: dict[str, Any]
    folder: Path


def finish(
    portions: Iterable[Taken],
    settings: Settings,
    started: datetime,
    listener: Listener,
    given: dict[str, Any] | None = None,
    engine: Engine = HERE,
) -> Finished:
    """Join the files of a batch, prove the samples, store all in one transaction, write the folder.

    Parameters
    ----------
    portions : of its files, in the order of the plan; each is taken in turn.
    settings : of the run.
    started : when the run began, UTC.
    listener : told of progress.
    given : what the run was given beside its files, for the journal.
    engine : weighs what may have happened to the samples.
    """
    log = FaultLog(settings.out, started, str(settings))
    with ThreadPoolExecutor(1) as pool:
        # Not later: the database begins with giving all memory back to the system that this process holds ready.
        database = pool.submit(start, settings.store, threads=_DATABASE_THREADS, memory_limit=_DATABASE_MEMORY)
        gathered = gather(portions)
    give_back()  # what it took to word the problems of each entry
    # What is known already may come again within a second.
    again = f"{started:%f}" if gathered.files["status"].isin(["known", "answered"]).any() else ""
    batch_id = new_batch_id(started, [*gathered.files["file_sha256"], again])
    with (
        Store(settings.store, wait_s=settings.lock_wait_s, engine=database.result()) as store,
        folder_for(batch_id, settings.out, stored_batches(store)) as folder,
    ):
        change = intake_change(gathered, given or {}, settings, started)
        joined = join(store, gathered, settings)
        unknown = unknown_words(gathered, machines_with(settings.machines))
        gathered = gathered.noted(joined.notices).noted(ownerless(store, gathered, joined)).noted(unknown)
        gathered = gathered.without_readings()
        if earlier := _batch_of_known(store, gathered.files):
            nothing = _batch(
                gathered, joined, _proof(joined, settings, started), _run(earlier, started, settings), settings
            )
            return Finished({**_summary(nothing, log), "log": ""}, settings.out / earlier)
        with store.transaction(change):
            first = next_number(store.connection, "finding", "finding_id")
            with appending(store, batch_id) as appender:
                _add_what_was_read(appender, gathered, joined, started)
                proof = _proof(joined, settings, started, listener, engine)
                joined = with_judged_again(joined, proof.checked)
                batch = _batch(gathered, joined, proof, _run(batch_id, started, settings), settings)
                change.what.update({name: batch.record[name] for name in ("batch_id", "finished_at")})
                told = fault_notices(batch.faults, log)
                batch = replace(batch, first_finding=first, notices=_with_told(batch.notices, told))
                give_back()
                listener.stage("storing")
                appender.add("notices", told)
                _add_what_was_found(appender, batch)
                summary = _write(folder, batch, log)
                appender.close({**batch.record, "entries_read": int(gathered.files["entries"].sum())})
            close_repeats(store, batch_id, settings, started)
            if follow_answers(store, batch_id, settings, started):
                summary = _write(folder, as_it_stands(batch, store, settings), log)
        written = log.written()
        return Finished({**summary, "log": str(written) if written else ""}, folder.publish())


def _batch_of_known(store: Store, files: pd.DataFrame) -> str:
    """Name the last batch of files that all are in the store as they are; "" where one of them is new.

    A file that nobody understands is read again, for a layout may fit it now: it is new until it is stored as such.
    """
    known = files["status"] == "known"
    kept = files["file_sha256"].isin([name for name in file_names(store) if name])
    again = known | (files["status"] == "not read") | ((files["status"] == "not understood") & kept)
    return max(known_files(store, files.loc[known, "file_sha256"]).values(), default="") if again.all() else ""


def _proof(
    joined: Joined, settings: Settings, started: datetime, listener: Listener = _SILENT, engine: Engine = HERE
) -> Proof:
    return prove(
        joined.samples,
        Limits((DateLimits.at(started),)),
        lambda checked: _chosen(joined, checked, settings),
        listener,
        tolerant=True,
        engine=engine,
    )


def _add_what_was_read(appender: Appender, gathered: Gathered, joined: Joined, started: datetime) -> None:
    """Send into the store what is settled before the samples are proved."""
    appender.add("source_files", gathered.new_files)
    appender.add("readings", joined.readings)
    appender.add("superseded", joined.superseded)
    appender.add("set_aside", gathered.set_aside)
    appender.add("notices", gathered.notices)
    appender.add("file_shapes", gathered.kept.assign(said_at=utc(started)))
    for kind in ("sites", "treatments"):
        appender.add(kind, gathered.register(kind))


def _add_what_was_found(appender: Appender, batch: Batch) -> None:
    """Send the judgement into the store."""
    appender.add("waiting", batch.waiting)
    appender.add("samples", batch.samples.drop(columns="called", errors="ignore"))
    appender.add("findings", batch.findings)
    appender.add("check_runs", batch.check_runs)
    if batch.assessment is not None:
        appender.add("assessments", batch.assessment.quantities)
    if batch.explained is not None:
        appender.add("explanations", batch.explained.explanations)
        appender.add("patterns", batch.explained.patterns)


def _write(folder: BatchFolder, batch: Batch, log: FaultLog) -> dict[str, Any]:
    """Write the largest table beside the summary and everything that tells of it."""
    with ThreadPoolExecutor(1) as pool:
        table = pool.submit(folder.write_samples, batch, log)
        summary = _summary(batch, log)
        folder.write_rest(batch, summary, log)
        summary["faults"] += table.result()
    return summary


def _summary(batch: Batch, log: FaultLog) -> dict[str, Any]:
    return summarise(batch, log, str(batch.record["settings"].get("language", "en")))


def _with_told(notices: pd.DataFrame, told: pd.DataFrame) -> pd.DataFrame:
    return stacked_frames([notices, told]) if len(told) else notices


def _run(batch_id: str, started: datetime, settings: Settings) -> dict[str, Any]:
    return {
        "batch_id": batch_id,
        "started_at": started.isoformat(timespec="seconds"),
        "finished_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "version": __version__,
        "settings": settings.plain(),
    }


def _batch(gathered: Gathered, joined: Joined, proof: Proof, run: dict[str, Any], settings: Settings) -> Batch:
    """Put everything that is known of the new samples together."""
    samples, checked = joined.samples, proof.checked
    assessed = _assessment(joined, checked, settings)
    faults = (*proof.faults, assessed) if isinstance(assessed, Fault) else proof.faults
    return Batch(
        record=run,
        files=gathered.files,
        samples=_facts(joined, checked).join(samples.measured),
        readings=joined.readings,
        findings=_findings(joined, checked, sources=True),
        set_aside=gathered.set_aside,
        notices=gathered.notices,
        waiting=waiting_columns(gathered.set_aside, joined.readings, gathered.evidence),
        check_runs=checked.runs,
        assessment=None if isinstance(assessed, Fault) else assessed,
        explained=proof.causes,
        faults=faults,
    )


def _assessment(joined: Joined, checked: Checked, settings: Settings) -> Assessment | Fault | None:
    """Say what the new waters will do, unless there are so many that nobody asks for all of them."""
    samples = joined.samples
    new = joined.new & ~is_control(samples)
    if not 0 < int(new.sum()) <= settings.assess_most:
        return None
    waters = samples if new.all() else samples.where(pd.Series(new, index=samples.about.index))
    try:
        return assess(waters, machines_with(settings.machines), held=held_samples(checked.open_findings))
    except Exception as error:  # noqa: BLE001 - a batch is kept though what its waters do could not be worked out
        return Fault("assessment", error)


def _chosen(joined: Joined, checked: Checked, settings: Settings) -> Flags:
    """Choose the new samples whose causes are told: all, or in a large batch those that its summary lists."""
    joined = with_judged_again(joined, checked)
    if int(joined.new.sum()) <= settings.explain_most:
        return joined.new
    chosen = np.zeros(len(joined.new), dtype="bool")
    listed = worst(_facts(joined, checked), _findings(joined, checked, sources=False))
    chosen[np.flatnonzero(joined.new)[listed]] = True
    return chosen


def _facts(joined: Joined, checked: Checked) -> pd.DataFrame:
    """Lay out one row per new sample: what it is, and its verdict."""
    facts = joined.samples.about.assign(verdict=checked.verdict, not_evaluated=checked.not_evaluated)
    return facts if joined.new.all() else facts[joined.new]


def _findings(joined: Joined, checked: Checked, *, sources: bool) -> pd.DataFrame:
    """Keep the findings on new samples, and with ``sources`` those on the sources of this batch."""
    findings = told_of_earlier(joined, checked.findings)
    if sources and joined.new.all() and joined.company.empty:
        return findings
    place = joined.samples.about.index.get_indexer(pd.Index(findings["sample_id"]))
    kept = np.append(joined.new, sources)[place]
    if sources and not joined.company.empty:
        file = findings["file_sha256"].fillna("").astype("str")
        kept &= (place >= 0) | file.isin(["", *joined.readings["file_sha256"].astype("str").unique()]).to_numpy()
    return findings[kept]
