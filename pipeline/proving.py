"""From the readings of all files to a proven batch: samples, findings, verdicts, store and folder."""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline import __version__
from pipeline.assess.suitability import Assessment, assess, held_samples
from pipeline.checks.limits import Limits
from pipeline.checks.record_dates import DateLimits
from pipeline.checks.run import Checked, run_all
from pipeline.checks.site_history import HISTORY_ANALYTES
from pipeline.explain.rank import Explained, explain
from pipeline.explain.suspicion import of_samples, with_suspects
from pipeline.gathering import gather
from pipeline.normalise import derived
from pipeline.normalise.sample_table import SampleTable, widen
from pipeline.normalise.samples import assemble_samples
from pipeline.normalise.stacking import stacked_frames, stacked_rows
from pipeline.problems import messages
from pipeline.report.batch.contents import Batch
from pipeline.report.batch.folder import BatchFolder, folder_for
from pipeline.report.batch.summary import summarise, worst
from pipeline.store.batch_record import BatchRecord
from pipeline.store.database import Store, start
from pipeline.store.read import earlier_samples, prior, registers
from pipeline.store.write import writing
from schemas.columns import ANALYTES, OPEN
from schemas.tables import ABOUT_COLUMNS, READING_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import numpy.typing as npt

    from pipeline.gathering import Gathered
    from pipeline.ingest.file_result import FileResult
    from pipeline.settings import Settings
    from pipeline.stages import Listener
    from pipeline.store.write import Writing

_REGISTERS: Final = ("sites", "treatments")
_WRITERS: Final = 1  # threads of the database, so that the work beside it keeps a processor
_WRITER: Final = "300MB"  # for the database beside the frames of a batch; six million readings go through it
_ORDINARY: Final = 5_000  # samples of a batch that are all looked at as history and company of each other
_NEAREST: Final = 6  # earlier and later samples of a site that are, in a larger one


@dataclass(frozen=True)
class Finished:
    """A batch that is stored and written: its summary and its folder."""

    summary: dict[str, Any]
    folder: Path


def finish(results: Iterable[FileResult], settings: Settings, started: datetime, heard: Listener) -> Finished:
    """Join the files of a batch, prove the samples, store all in one transaction, write the folder.

    Parameters
    ----------
    results : one per file, in the order of the plan; each is taken in turn.
    settings : of the run.
    started : when the run began, UTC.
    heard : told of progress.
    """
    with ThreadPoolExecutor(1) as beside:
        # Not later: the engine begins with giving all memory back to the system that this process holds ready.
        starting = beside.submit(start, settings.store, threads=_WRITERS, memory_limit=_WRITER)
        gathered = _worded(gather(results, settings))
    batch_id = _batch_id(gathered.files, started)
    new_registers = {kind: gathered.registers.get(kind, pd.DataFrame()) for kind in _REGISTERS}
    with Store(settings.store, wait_s=settings.lock_wait_s, engine=starting.result()) as store:
        sites = pd.concat([registers(store, "site"), new_registers["sites"]], ignore_index=True)
        heard.stage("checking")
        samples, new, superseded = _samples(gathered, store, sites, settings)
        readings = _new_readings(samples.readings)
        with folder_for(batch_id, settings.out) as folder:
            # What was read goes into the store while the samples are proved.
            files = _new_files(gathered.files)
            with writing(store, batch_id, files, readings) as begun, ThreadPoolExecutor(2) as beside:
                begun.ahead(lambda: {"set_aside": gathered.set_aside, "notices": gathered.notices})
                proof = _proved(samples, new, Limits((DateLimits.at(started),)), settings, heard, begun)
                batch = _batch(gathered, samples, new, proof, _run(batch_id, started, settings))
                heard.stage("storing")
                table = beside.submit(folder.write_samples, batch)
                rest = beside.submit(_summarised, batch, folder)
                begun.complete(_record(batch, proof.waiting[new], new_registers, superseded))
                table.result()
                summary = rest.result()
            return Finished(summary, folder.publish())


@dataclass(frozen=True)
class _Proof:
    """What checks, causes and meaning say of the samples; ``waiting`` are those not yet on their way into the store."""

    checked: Checked
    explained: Explained | None
    assessment: Assessment | None
    waiting: npt.NDArray[np.bool_]


def _proved(
    samples: SampleTable,
    new: npt.NDArray[np.bool_],
    limits: Limits,
    settings: Settings,
    heard: Listener,
    begun: Writing,
) -> _Proof:
    """Check, explain and assess the samples; those with nothing more to come go into the store beside it."""
    checked = run_all(samples, limits, heard.step)
    chosen = _to_explain(samples, checked, new, settings)
    waiting = new & chosen
    if (settled := new & ~chosen).any():
        begun.ahead(partial(_settled, samples, checked, settled))
    heard.stage("explaining")
    checked, explained = _explained(samples, checked, limits, chosen)
    return _Proof(checked, explained, _assessment(samples, checked, new, settings), waiting)


def _settled(samples: SampleTable, checked: Checked, settled: npt.NDArray[np.bool_]) -> dict[str, pd.DataFrame]:
    """Give the store the samples that nothing more comes to, their findings, and those about whole sources."""
    findings = _findings_on(checked.findings, samples.about.index, settled, sources=True)
    return {"samples": _facts(samples, checked, settled), "findings": findings}


def _run(batch_id: str, started: datetime, settings: Settings) -> dict[str, Any]:
    return {
        "batch_id": batch_id,
        "started_at": started.isoformat(timespec="seconds"),
        "finished_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "version": __version__,
        "settings": settings.plain(),
    }


def _batch(
    gathered: Gathered, samples: SampleTable, new: npt.NDArray[np.bool_], proof: _Proof, run: dict[str, Any]
) -> Batch:
    """Put everything that is known of the new samples together."""
    checked = proof.checked
    return Batch(
        record=run,
        files=gathered.files,
        samples=_facts(samples, checked, new).join(samples.measured),
        readings=_new_readings(samples.readings),
        findings=_findings_on(checked.findings, samples.about.index, new, sources=True),
        set_aside=gathered.set_aside,
        notices=gathered.notices,
        check_runs=checked.runs,
        assessment=proof.assessment,
        explained=proof.explained,
    )


def _summarised(batch: Batch, folder: BatchFolder) -> dict[str, Any]:
    """Sum a batch up and write what tells of it."""
    summary = summarise(batch)
    folder.write_rest(batch, summary)
    return summary


def _batch_id(files: pd.DataFrame, started: datetime) -> str:
    """Name the batch: a time that sorts, and four letters of what was read."""
    content = hashlib.sha256("".join(files["file_sha256"]).encode())
    return f"{started:%Y%m%dT%H%M%S}-{content.hexdigest()[:4]}"


def _samples(
    gathered: Gathered, store: Store, sites: pd.DataFrame, settings: Settings
) -> tuple[SampleTable, npt.NDArray[np.bool_], pd.DataFrame]:
    """Assemble the samples of the batch together with what the store knows of the same samples.

    Returns
    -------
    samples, which of them have new readings, and the stored readings (`reading_id`) a new report replaces.
    """
    superseded = pd.DataFrame({"reading_id": pd.Series(dtype="int64")})
    if gathered.rows.empty:
        return _no_samples(), np.zeros(0, dtype="bool"), superseded
    fresh_rows, fresh = gathered.rows, gathered.readings.assign(new=True, counts=True)
    assembled = assemble_samples(fresh_rows, fresh, sites, settings.sample_window_hours)
    known_rows, known = prior(store, assembled.about)
    if len(known):
        # What is known of the same bottles is judged together with what is new.
        known = known.assign(row=known["row"] + len(fresh_rows), new=False)
        all_rows = stacked_rows([fresh_rows, known_rows])
        assembled = assemble_samples(all_rows, stacked_frames([fresh, known]), sites, settings.sample_window_hours)
        no_more = ~assembled.readings["counts"].to_numpy()[len(fresh) :]
        superseded = known.loc[known["counts"].to_numpy(dtype="bool") & no_more, ["reading_id"]]
    table = assembled.readings
    new = np.zeros(len(assembled.about), dtype="bool")
    new[table["sample_id"].cat.codes.to_numpy()[table["new"].to_numpy()]] = True
    wide = widen(assembled.about, table[table["counts"]])
    columns = {name: ANALYTES[name].column for name in HISTORY_ANALYTES}
    earlier = earlier_samples(store, assembled.about, columns)
    return derived.with_derived(replace(wide, readings=table, earlier=earlier)), new, superseded


def _assessment(
    samples: SampleTable, checked: Checked, new: npt.NDArray[np.bool_], settings: Settings
) -> Assessment | None:
    """Say what the new waters will do, unless there are so many that nobody asks for all of them."""
    if not 0 < int(new.sum()) <= settings.assess_most:
        return None
    waters = samples if new.all() else samples.where(pd.Series(new, index=samples.about.index))
    return assess(waters, held=held_samples(checked.open_findings))


def _to_explain(
    samples: SampleTable, checked: Checked, new: npt.NDArray[np.bool_], settings: Settings
) -> npt.NDArray[np.bool_]:
    """Choose the new samples whose causes are looked for: all, or in a large batch those that its summary lists."""
    if int(new.sum()) <= settings.explain_most:
        return new
    findings = _findings_on(checked.findings, samples.about.index, new, sources=False)
    chosen = np.zeros(len(new), dtype="bool")
    chosen[np.flatnonzero(new)[worst(_facts(samples, checked, new), findings)]] = True
    return chosen


def _explained(
    samples: SampleTable, checked: Checked, limits: Limits, chosen: npt.NDArray[np.bool_]
) -> tuple[Checked, Explained | None]:
    """Look for the mistake behind the chosen samples.

    A sample that no check holds and that a mistake explains far better than none is held too.
    """
    if not chosen.any():
        return checked, None
    beside = _company(samples, chosen)
    near = samples if beside.all() else samples.where(pd.Series(beside, index=samples.about.index))
    explained = explain(near, checked.findings, limits, chosen[beside])
    checked = with_suspects(checked, explained, samples)
    verdict = checked.verdict[chosen]
    return checked, of_samples(explained, verdict.index[verdict.isin(OPEN)])


def _company(samples: SampleTable, chosen: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Tell the samples that are history or company of the chosen: the nearest in time at their sites.

    In a batch of ordinary size all are taken.
    """
    if len(samples) <= _ORDINARY:
        return np.ones(len(samples), dtype="bool")
    about = samples.about
    client, site = (pd.factorize(about[name])[0] for name in ("client", "site"))
    moment = about["collected_at"].dt.tz_convert(None).to_numpy()
    order = np.lexsort((moment, site, client))
    near = np.convolve(chosen[order], np.ones(2 * _NEAREST + 1), mode="same") > 0
    beside = np.zeros(len(samples), dtype="bool")
    beside[order[near]] = True
    return beside


def _no_samples() -> SampleTable:
    """Give a table without samples, for a batch of registers or of files nobody can read."""
    text = {name: pd.Series(dtype="str") for name in (*ABOUT_COLUMNS, "file_sha256", "sample_id")}
    about = pd.DataFrame({**text, "collected_at": pd.Series(dtype="datetime64[us, UTC]")})
    readings = pd.DataFrame({name: pd.Series(dtype="float64") for name in READING_COLUMNS})
    words = {
        name: pd.Series(dtype="str") for name in ("sample_id", "file_sha256", "analyte", "method", "form", "raw_text")
    }
    flags = {name: pd.Series(dtype="bool") for name in ("new", "counts")}
    return widen(about.set_index("sample_id"), readings.assign(**words, **flags))


def _new_readings(readings: pd.DataFrame) -> pd.DataFrame:
    return readings if readings["new"].all() else readings[readings["new"]]


def _facts(samples: SampleTable, checked: Checked, kept: npt.NDArray[np.bool_]) -> pd.DataFrame:
    """Lay out one row per sample that is kept: what it is, and its verdict."""
    facts = samples.about.assign(verdict=checked.verdict, not_evaluated=checked.not_evaluated)
    return facts if kept.all() else facts[kept]


def _findings_on(
    findings: pd.DataFrame, index: pd.Index, kept: npt.NDArray[np.bool_], *, sources: bool
) -> pd.DataFrame:
    """Keep the findings on some samples of ``index``, and with ``sources`` those on whole sources."""
    if sources and kept.all():
        return findings
    return findings[np.append(kept, sources)[index.get_indexer(pd.Index(findings["sample_id"]))]]


def _worded(gathered: Gathered) -> Gathered:
    """Put the problems into words."""
    told = {name: getattr(gathered, name) for name in ("set_aside", "notices")}
    return replace(gathered, **{name: problems.assign(message=messages(problems)) for name, problems in told.items()})


def _new_files(files: pd.DataFrame) -> pd.DataFrame:
    """Leave out what the store has, and the second name of a content nobody understands."""
    again = files["file_sha256"].duplicated() & (files["file_sha256"] != "")
    return files[(files["status"] != "known") & ~again]


def _record(
    batch: Batch,
    waiting: npt.NDArray[np.bool_],
    new_registers: dict[str, pd.DataFrame],
    superseded: pd.DataFrame,
) -> BatchRecord:
    """Hand the batch to the store, without what is on its way; of the samples only those that are still waiting."""
    all_wait = bool(waiting.all())
    entries = {"entries_accepted": len(batch.readings), "entries_set_aside": len(batch.set_aside)}
    return BatchRecord(
        batch={**batch.record, **entries, "entries_read": int(batch.files["entries"].sum())},
        source_files=_new_files(batch.files),
        samples=batch.samples if all_wait else batch.samples[waiting],
        readings=batch.readings,
        superseded=superseded,
        findings=_findings_on(batch.findings, batch.samples.index, waiting, sources=all_wait),
        check_runs=batch.check_runs,
        assessments=pd.DataFrame() if batch.assessment is None else batch.assessment.quantities,
        explanations=pd.DataFrame() if batch.explained is None else batch.explained.explanations,
        patterns=pd.DataFrame() if batch.explained is None else batch.explained.patterns,
        sites=new_registers["sites"],
        treatments=new_registers["treatments"],
    )
