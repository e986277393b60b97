"""Prove stored samples again, beside the samples of their sites and their files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline import __version__
from pipeline.checks.limits import Limits
from pipeline.checks.record_dates import DateLimits
from pipeline.fault_log import FaultLog
from pipeline.fault_notices import fault_notices
from pipeline.prove import prove
from pipeline.stages import Silent
from pipeline.store.appender import appending
from pipeline.store.batch_record import new_batch_id
from pipeline.store.reach import open_around
from pipeline.store.samples import sample_rows
from pipeline.store.table import neighbourhood_of
from schemas.columns import VERDICTS

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from pipeline.settings import Settings
    from pipeline.store.database import Store

_MOST_AROUND: Final = 200  # samples of the same sites whose open findings may be settled


def prove_anew(store: Store, sample_ids: Iterable[str], settings: Settings, now: datetime, occasion: str) -> None:
    """Prove stored samples again and store what is found, with those at their sites on which a finding is open.

    It becomes a batch without files, within the open transaction: the samples with their verdicts, findings, causes.
    A check at which the program fails is told among the remarks of that batch; what it found before stays.

    Parameters
    ----------
    store : open, in a transaction; the readings that count are those the checks see.
    sample_ids : the samples.
    settings : of the run.
    now : time of the check, UTC.
    occasion : why, for the batch's name.
    """
    touched = set(sample_ids)
    wanted = sorted(touched | open_around(store, touched, _MOST_AROUND))
    samples = neighbourhood_of(store, wanted)
    chosen = np.asarray(samples.about.index.isin(wanted))
    proof = prove(samples, Limits((DateLimits.at(now),)), lambda _: chosen, Silent(), tolerant=True)
    findings = proof.checked.findings
    rows = sample_rows(store, wanted)
    kept = _of_failed_checks(store, wanted, [fault.subject for fault in proof.faults])
    verdict = _worst_of(proof.checked.verdict.loc[rows["sample_id"]].astype("str"), kept)
    rows = rows.assign(
        verdict=verdict.to_numpy(),
        not_evaluated=proof.checked.not_evaluated.loc[rows["sample_id"]].astype("str").to_numpy(),
    )
    with appending(store, new_batch_id(now, pd.Index(wanted), occasion)) as batch:
        batch.add("samples", rows.drop(columns="batch_id"))
        batch.add("findings", findings[findings["sample_id"].isin(wanted).to_numpy()])
        if proof.faults:
            batch.add("findings", kept)
            batch.add("notices", fault_notices(proof.faults, FaultLog(settings.out, now, str(settings))))
        if proof.causes is not None:
            batch.add("explanations", proof.causes.explanations)
        batch.close(
            {
                "started_at": now,
                "finished_at": now,
                "version": __version__,
                "settings": settings.plain(),
                "entries_read": 0,
            }
        )


def _of_failed_checks(store: Store, sample_ids: list[str], checks: list[str]) -> pd.DataFrame:
    """Give what checks at which the program failed had found of samples: nothing is released by a fault."""
    return store.connection.execute(
        "SELECT f.* EXCLUDE (finding_id, batch_id) FROM finding AS f JOIN sample AS s USING (sample_id, batch_id) "
        "WHERE list_contains($1, f.sample_id) AND list_contains($2, f.check_id) ORDER BY f.finding_id",
        [sample_ids, checks],
    ).df()


def _worst_of(verdict: pd.Series[str], findings: pd.DataFrame) -> pd.Series[str]:
    """Give samples, index `sample_id`, the gravest of their verdict and of findings."""
    if findings.empty:
        return verdict
    rank = {word: place for place, word in enumerate(VERDICTS)}
    grave = findings["severity"].map(rank).groupby(findings["sample_id"]).max().reindex(verdict.index).fillna(-1)
    worst = np.maximum(verdict.map(rank).to_numpy(), grave.to_numpy()).astype("int64")
    return pd.Series(np.array(VERDICTS, dtype=object)[worst], index=verdict.index, dtype="str")
