"""A reading that was asked for again has come: the question is closed, and the sample it was asked of proved anew."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.deciding.proving import prove_anew
from pipeline.store.repeats import any_asked_again, settle_repeats

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.settings import Settings
    from pipeline.store.database import Store


def close_repeats(store: Store, batch_id: str, settings: Settings, now: datetime) -> None:
    """Close the questions whose readings came with a batch, within its transaction.

    Parameters
    ----------
    store : in the transaction of the batch, which is in place.
    batch_id : the batch.
    settings : of the run.
    now : when it began, UTC.
    """
    if not any_asked_again(store):
        return
    if samples := settle_repeats(store, batch_id):
        prove_anew(store, samples, settings, now, f"{batch_id.rpartition('-')[2]}-repeated")
