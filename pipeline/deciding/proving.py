"""Prove stored samples again, beside the samples of their sites and their files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline import __version__
from pipeline.checks.limits import Limits
from pipeline.checks.record_dates import DateLimits
from pipeline.prove import prove
from pipeline.stages import Silent
from pipeline.store.appender import appending
from pipeline.store.batch_record import new_batch_id
from pipeline.store.reach import open_around
from pipeline.store.samples import sample_rows
from pipeline.store.table import neighbourhood_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from pipeline.settings import Settings
    from pipeline.store.database import Store

_MOST_AROUND: Final = 200  # samples of the same sites whose open findings may be settled


def prove_anew(store: Store, sample_ids: Iterable[str], settings: Settings, now: datetime, occasion: str) -> None:
    """Prove stored samples again and store what is found, with those at their sites on which a finding is open.

    It becomes a batch without files, within the open transaction: the samples with their verdicts, findings, causes.

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
    proof = prove(samples, Limits((DateLimits.at(now),)), lambda _: chosen, Silent())
    findings = proof.checked.findings
    rows = sample_rows(store, wanted)
    verdict, not_evaluated = (proof.checked.verdict, proof.checked.not_evaluated)
    rows = rows.assign(
        verdict=verdict.loc[rows["sample_id"]].astype("str").to_numpy(),
        not_evaluated=not_evaluated.loc[rows["sample_id"]].astype("str").to_numpy(),
    )
    with appending(store, new_batch_id(now, pd.Index(wanted), occasion)) as batch:
        batch.add("samples", rows.drop(columns="batch_id"))
        batch.add("findings", findings[findings["sample_id"].isin(wanted).to_numpy()])
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
