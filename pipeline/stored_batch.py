"""A batch as it stands now: its page is written again with the answers that were given since."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from pipeline.assess.machines import machines_with
from pipeline.assess.suitability import assess, held_samples
from pipeline.explain.tables import Explained
from pipeline.explain.wording import RELATION_COLUMNS
from pipeline.report.batch.contents import Batch
from pipeline.report.batch.folder import write_page
from pipeline.report.batch.summary import summarise
from pipeline.store.database import Store
from pipeline.store.findings import known_batch
from pipeline.store.samples import rows_of, wide_samples
from pipeline.store.table import sample_table
from schemas.columns import CONTROLS, OPEN, SEVERITIES, WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from pipeline.assess.suitability import Assessment
    from pipeline.settings import Settings

_JUDGED = ("client", "site", "sampling_point", "stage", "verdict", *WIDE_COLUMNS)
_QUESTIONS = ("sample_id", "question", "separates")


class Rewritten(NamedTuple):
    """A summary as it stands now, and the folder its page was written to."""

    summary: dict[str, Any]
    folder: Path


def rewrite(settings: Settings, text: str) -> Rewritten:
    """Write the page of a batch again, with the answers in force.

    Parameters
    ----------
    settings : where store and results are.
    text : the batch; `latest` is the last one that brought files.

    Raises
    ------
    KettlestoneError : no store, no such batch, or the page cannot be written.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        batch = stored_batch(store, _named(store, text), settings)
    summary = summarise(batch, language=settings.language)
    folder = settings.out / str(batch.record["batch_id"])
    write_page(folder, batch, summary)
    return Rewritten(summary, folder)


def _named(store: Store, text: str) -> str:
    if text.strip().casefold() != "latest":
        return known_batch(store, text)
    found = store.connection.execute("SELECT batch_id FROM source_file ORDER BY rowid DESC LIMIT 1").fetchall()
    return known_batch(store, str(found[0][0]) if found else text)


def stored_batch(store: Store, batch_id: str, settings: Settings, also: Iterable[str] = ()) -> Batch:
    """Rebuild a batch from the store: its files and readings as they came, findings and verdicts as they are now.

    Parameters
    ----------
    store : open.
    batch_id : of a batch that brought files.
    settings : `assess_most` says up to how many samples are assessed.
    also : samples of earlier batches that were judged again with it.
    """
    ask = store.connection.execute
    own = [
        str(name)
        for (name,) in ask(
            "SELECT DISTINCT sample_id FROM reading JOIN source_file AS f USING (file_sha256) "
            "WHERE f.batch_id = ? AND decision_id IS NULL",
            [batch_id],
        ).fetchall()
    ]
    names = list(dict.fromkeys([*own, *also]))
    samples = wide_samples(store, names).set_index("sample_id")
    samples = samples.assign(verdict=samples["current_verdict"])
    findings = _findings(store, batch_id, names)
    [record] = ask("SELECT * FROM batch WHERE batch_id = ?", [batch_id]).df().to_dict("records")
    return Batch(
        record={
            "batch_id": batch_id,
            "started_at": record["started_at"].isoformat(timespec="seconds"),
            "finished_at": record["finished_at"].isoformat(timespec="seconds"),
            "version": record["version"],
            "settings": json.loads(record["settings"]),
        },
        files=ask("SELECT * EXCLUDE (batch_id) FROM source_file WHERE batch_id = ? ORDER BY rowid", [batch_id]).df(),
        samples=samples,
        readings=ask(
            "SELECT r.* FROM reading AS r JOIN source_file AS f USING (file_sha256) "
            "WHERE f.batch_id = ? AND r.decision_id IS NULL ORDER BY r.reading_id",
            [batch_id],
        ).df(),
        findings=findings,
        set_aside=_problems(store, "set_aside", batch_id),
        notices=_problems(store, "notice", batch_id),
        waiting=_waiting(store, batch_id, findings),
        check_runs=ask("SELECT * EXCLUDE (batch_id) FROM check_run WHERE batch_id = ?", [batch_id]).df(),
        assessment=_assessment(store, samples, findings, settings),
        explained=_explained(store, batch_id, names),
    )


def as_it_stands(batch: Batch, store: Store, settings: Settings) -> Batch:
    """Give a batch whose answers changed something within its own transaction the judgement that holds now.

    Parameters
    ----------
    batch : as it was proved.
    store : in the transaction, the batch in place.
    settings : of the run.
    """
    now = stored_batch(store, str(batch.record["batch_id"]), settings, batch.samples.index)
    changed = now.samples.reindex(batch.samples.index)
    judged = {name: changed[name].array for name in _JUDGED if name in batch.samples}
    return replace(now, record=batch.record, samples=batch.samples.assign(**judged), readings=batch.readings)


def _findings(store: Store, batch_id: str, names: list[str]) -> pd.DataFrame:
    """Give the findings in force, each as grave as its answer leaves it; an answered question of a source is gone."""
    own = rows_of(store, "v_finding", "*", names)
    whole = store.connection.execute(
        "SELECT * FROM v_finding WHERE sample_id IS NULL AND is_current AND batch_id = ? "
        "AND (decision IS NULL OR current_severity IN ('hold', 'reject'))",
        [batch_id],
    ).df()
    found = pd.concat([whole, own[own["is_current"].astype("bool")]], ignore_index=True)
    grave = -found["current_severity"].map({name: place for place, name in enumerate(SEVERITIES)})
    ordered = found.assign(severity=found["current_severity"], grave=grave).sort_values(["grave", "finding_id"])
    return ordered.drop(columns="grave").reset_index(drop=True)


def _problems(store: Store, table: str, batch_id: str) -> pd.DataFrame:
    return store.connection.execute(
        f"SELECT p.* EXCLUDE (batch_id), coalesce(f.name, '') AS name FROM {table} AS p "  # noqa: S608 - a table of the schema
        "LEFT JOIN (SELECT file_sha256, min(name) AS name FROM source_file GROUP BY 1) AS f USING (file_sha256) "
        "WHERE p.batch_id = ? ORDER BY p.rowid",
        [batch_id],
    ).df()


def _waiting(store: Store, batch_id: str, findings: pd.DataFrame) -> pd.DataFrame:
    """Give the columns that still wait: their cells were not read since, or their form is still on hold."""
    found = store.connection.execute(
        """
        SELECT w.file_sha256, w."column", w.problem, w.cells, w.question,
            EXISTS (SELECT 1 FROM set_aside AS s WHERE s.file_sha256 = w.file_sha256 AND s."column" = w."column"
                AND s.problem = w.problem AND NOT EXISTS (SELECT 1 FROM reading AS r
                    WHERE r.file_sha256 = s.file_sha256 AND r.line = s.line AND r."column" = s."column")) AS unread
        FROM waiting AS w WHERE w.batch_id = ? ORDER BY w.rowid
        """,
        [batch_id],
    ).df()
    asked = findings[(findings["check_id"] == "ambiguous-unit") & findings["severity"].isin(OPEN)]
    form = (found["problem"] == "form-ambiguous") & found["file_sha256"].isin(asked["file_sha256"])
    return found[form | found["unread"].astype("bool")].drop(columns="unread").reset_index(drop=True)


def _assessment(store: Store, samples: pd.DataFrame, findings: pd.DataFrame, settings: Settings) -> Assessment | None:
    waters = samples.index[~samples["activity"].isin(CONTROLS)]
    if not 0 < len(waters) <= settings.assess_most:
        return None
    table = sample_table(store, [str(name) for name in waters])
    open_findings = findings[findings["severity"].isin(OPEN) & findings["sample_id"].notna()]
    return assess(
        table, machines_with(settings.machines), held=held_samples(open_findings[["sample_id", "severity", "analyte"]])
    )


def _explained(store: Store, batch_id: str, names: list[str]) -> Explained | None:
    causes = rows_of(store, "(SELECT e.* FROM explanation AS e JOIN sample USING (sample_id, batch_id))", "*", names)
    patterns = store.connection.execute("SELECT * EXCLUDE (batch_id) FROM pattern WHERE batch_id = ?", [batch_id]).df()
    if causes.empty and patterns.empty:
        return None
    held = store.connection.execute(
        "SELECT sample_id FROM v_sample WHERE current_verdict IN ('hold', 'reject') AND list_contains(?, sample_id)",
        [names],
    ).df()
    causes = causes[causes["sample_id"].isin(held["sample_id"])]
    if not len(causes):
        patterns = patterns.iloc[:0]
    return Explained(
        explanations=causes.drop(columns="batch_id"),
        relations=pd.DataFrame(columns=list(RELATION_COLUMNS)),
        questions=pd.DataFrame(columns=list(_QUESTIONS)),
        patterns=patterns,
    )
