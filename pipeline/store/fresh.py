"""What came into the store since a moment: to be told when a command ends before it can say so itself."""

from __future__ import annotations

from datetime import UTC
from typing import TYPE_CHECKING, Final

from pipeline.store.database import Store

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

_PATIENCE_S: Final = 2.0


def since(path: Path, moment: datetime) -> list[str]:
    """List the batches and decisions that were stored since a moment.

    Parameters
    ----------
    path : the store.
    moment : with its time zone.

    Raises
    ------
    KettlestoneError : the store cannot be read.
    """
    with Store(path, read_only=True, wait_s=_PATIENCE_S) as store:
        found = store.connection.execute(
            "SELECT 'batch ' || batch_id FROM batch WHERE started_at >= $1 "
            "UNION ALL SELECT 'decision ' || decision_id FROM decision WHERE decided_at >= $1 ORDER BY 1",
            # Batches are dated to the second.
            [moment.astimezone(UTC).replace(tzinfo=None, microsecond=0)],
        ).fetchall()
    return [str(name) for (name,) in found]
