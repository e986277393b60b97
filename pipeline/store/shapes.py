"""What people settled for files of one shape: the units they answered, the layouts they confirmed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline import __version__
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.store.batch_record import utc
from pipeline.store.journal import Change

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    import pandas as pd

    from pipeline.store.database import Store

_ANSWERED = ("unit-missing", "unit-ambiguous", "unit-unknown", "not-detected-without-limit", "kit-undefined")


def kept_shapes(store: Store) -> pd.DataFrame:
    """Return what holds for every shape, the oldest first.

    Returns
    -------
    (n, …) frame `shape headings name unit layout said_by said_at file`: one row per answer or layout, the last one of
    each name to each question; what was forgotten is not among them.
    """
    return store.connection.execute(
        """
        SELECT shape, headings, name, unit, layout, said_by, said_at, file
        FROM file_shape AS s
        WHERE (unit <> '' OR layout <> '')
            AND NOT EXISTS (SELECT 1 FROM file_shape AS f
                WHERE f.shape = s.shape AND f.unit = '' AND f.layout = '' AND f.said_at >= s.said_at)
        -- A name may have a unit, a limit of detection ("<0.5 mg/L") and the worth of a drop ("1 °dH per drop").
        QUALIFY row_number() OVER (
            PARTITION BY shape, lower(name), unit LIKE '<%', unit SIMILAR TO '[0-9].*'
            ORDER BY said_at DESC, rowid DESC) = 1
        ORDER BY said_at, rowid
        """
    ).df()


def forget_shape(store: Store, shape: str, *, by: str, now: datetime) -> pd.DataFrame:
    """Forget what was settled for a shape; the rows stay, and one more says that they hold no longer.

    Parameters
    ----------
    store : open for writing.
    shape : its name, or the beginning of it.
    by : who forgets it.
    now : UTC.

    Returns
    -------
    what held until then.

    Raises
    ------
    KettlestoneError : no shape, or more than one, is called so.
    """
    kept = kept_shapes(store)
    found = kept[kept["shape"].str.startswith(shape.strip())] if shape.strip() else kept.iloc[:0]
    names = list(dict.fromkeys(found["shape"]))
    if len(names) != 1:
        fault = "several shapes begin so" if names else "there is no such shape"
        raise KettlestoneError(
            f'"{shape}": {fault}. {UNCHANGED}\n  kettlestone layout remembered lists them with their names.'
        )
    row = found.tail(1)[["shape", "headings"]].assign(
        name="", unit="", layout="", said_by=by, said_at=utc(now), file=""
    )
    change = Change("forget", {"shape": names[0], "by": by, "now": now.isoformat()})
    with store.batch(f"{utc(now):%Y%m%dT%H%M%S.%f}-shape", change) as batch:
        batch.add("file_shapes", row)
        batch.close({"started_at": now, "finished_at": now, "version": __version__, "settings": {}, "entries_read": 0})
    return found


def cells_without_unit(store: Store, files: Iterable[str]) -> dict[str, pd.DataFrame]:
    """Return the cells that were set aside for their unit and that no reading was made of since.

    Parameters
    ----------
    store : open.
    files : SHA-256 of the files in question.

    Returns
    -------
    SHA-256 of each file → (n, 2) frame `line column`.
    """
    found = store.connection.execute(
        """
        SELECT DISTINCT s.file_sha256, s.line, s."column"
        FROM set_aside AS s
        WHERE list_contains($problems, s.problem)
            AND NOT EXISTS (SELECT 1 FROM reading AS r
                WHERE r.file_sha256 = s.file_sha256 AND r.line = s.line AND r."column" = s."column")
        """,
        {"problems": list(_ANSWERED)},
    ).df()
    nothing = found[["line", "column"]].iloc[:0]
    of_file = {str(sha256): cells[["line", "column"]] for sha256, cells in found.groupby("file_sha256")}
    return {sha256: of_file.get(sha256, nothing) for sha256 in files}
