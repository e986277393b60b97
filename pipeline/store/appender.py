"""Write a batch: its frames go into the store one after the other while the rest is still worked out."""

from __future__ import annotations

import json
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.store import faults
from pipeline.store.batch_record import check_frame, ready, utc
from pipeline.store.batch_rows import append_findings, append_readings, append_samples, superseded_by
from pipeline.store.files import known_files
from pipeline.store.frames import append, next_number
from pipeline.store.placing import place_stored_samples
from schemas.stored import TABLE_OF

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from concurrent.futures import Executor, Future

    from pipeline.store.connected import Connected


class Appender:
    """A batch on its way into the store; its frames are appended in the order they were added, on one thread.

    Readings, findings, set-aside entries and decisions are only ever added; a sample that gets further readings
    has its row replaced.
    """

    def __init__(self, store: Connected, batch_id: str, pool: Executor) -> None:
        """Begin a batch in the open transaction of a store; ``pool`` does one thing after the other."""
        self._store = store
        self._batch_id = batch_id
        self._pool = pool
        self._first_reading = next_number(store.connection, "reading_value", "reading_id")
        self._queue: list[Future[None]] = []
        self._rows: Counter[str] = Counter()
        self._stopped = False
        self.closed = False

    def add(self, name: str, frame: pd.DataFrame) -> None:
        """Queue a frame, or some of its rows; what was wrong with an earlier one is raised here or by ``close``.

        Parameters
        ----------
        name : of ``schemas.stored.FRAMES``.
        frame : with the columns declared there; samples may have more, and `sample_id` as index. Where `counts` of a
            reading is False, a later report of the batch replaces it. In `reading_ids` of findings a number above
            zero is a stored `reading_id`; −k stands for row k (from 1) of the readings of the batch, which may still
            be on their way.
        """
        for appended in self._queue:
            if appended.done():
                appended.result()
        self._queue.append(self._pool.submit(self._append, name, frame))

    def close(self, row: Mapping[str, Any]) -> None:
        """Wait for all frames, balance the books and add the row of the batch.

        Parameters
        ----------
        row : `started_at finished_at version settings` (JSON text or plain values) `entries_read`; times in UTC, or
            as ISO text. How many entries were accepted and set aside is counted here.

        Raises
        ------
        ValueError : the entries read are not those accepted + those set aside.
        """
        for appended in self._queue:
            appended.result()
        accepted, aside = self._rows["readings"], self._rows["set_aside"]
        if row["entries_read"] != accepted + aside:
            raise ValueError(f"{row['entries_read']} entries read are not {accepted} accepted + {aside} set aside")
        append(self._store.connection, "batch", self._batch_row(row, accepted, aside))
        self.closed = True

    def stop(self) -> None:
        """Give up what is being appended and what is queued."""
        self._stopped = True
        self._store.connection.interrupt()

    def _append(self, name: str, frame: pd.DataFrame) -> None:
        if self._stopped:
            return
        try:
            self._rows[name] += self._append_rows(name, ready(name, frame))
        except BaseException:
            self._stopped = True  # the transaction is lost, and the first error is the one to tell
            raise

    def _append_rows(self, name: str, frame: pd.DataFrame) -> int:
        check_frame(name, frame)
        connection, same = self._store.connection, {"batch_id": self._batch_id}
        if name == "samples":
            append_samples(connection, frame, same)
        elif name == "findings":
            append_findings(connection, frame, same, self._first_reading)
        elif name == "readings":
            first = append_readings(connection, frame)
            append(connection, "superseded", superseded_by(frame, first), same=same)
        else:
            if name == "source_files" and (known := known_files(self._store, frame.get("file_sha256", []))):
                raise faults.AlreadyStoredError(sorted(known))
            append(connection, TABLE_OF[name], frame, same=same)
            if name == "sites" and len(frame):
                place_stored_samples(self._store)
        return len(frame)

    def _batch_row(self, row: Mapping[str, Any], accepted: int, aside: int) -> pd.DataFrame:
        settings = row["settings"]
        told = settings if isinstance(settings, str) else json.dumps(settings, ensure_ascii=False, default=str)
        whole = {
            "batch_id": self._batch_id,
            "started_at": utc(row["started_at"]),
            "finished_at": utc(row["finished_at"]),
            "version": row["version"],
            "settings": told,
            "entries_read": row["entries_read"],
            "entries_accepted": accepted,
            "entries_set_aside": aside,
        }
        return pd.DataFrame([whole])


@contextmanager
def appending(store: Connected, batch_id: str) -> Iterator[Appender]:
    """Add a batch within an open transaction; the store is not to be used otherwise while frames are on their way.

    Raises
    ------
    what ``Store.batch`` raises, and RuntimeError where the block ends without ``close``.
    """
    if store.connection.execute("SELECT 1 FROM batch WHERE batch_id = ?", [batch_id]).fetchall():
        raise faults.same_batch(batch_id)
    with ThreadPoolExecutor(1) as pool:
        appender = Appender(store, batch_id, pool)
        try:
            yield appender
        except BaseException:
            appender.stop()
            raise
    if not appender.closed:
        raise RuntimeError(f"batch {batch_id} was not closed")
