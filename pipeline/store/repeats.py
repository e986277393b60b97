"""Readings that were asked for again: which questions wait for them, and which of them have come."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from pipeline.store.database import Store

_PENDING: Final = """
    SELECT a.finding_id, a.decision_id, f.sample_id, string_split(f.analyte, ' ') AS analytes,
        f.analyte = '' AS any_analyte
    FROM answer AS a JOIN finding AS f USING (finding_id)
    WHERE a.action = 'repeat' AND f.sample_id IS NOT NULL
        AND NOT EXISTS (SELECT 1 FROM repeated AS r WHERE r.finding_id = a.finding_id)
"""


def asked_again(store: Store, sample_ids: Iterable[str]) -> pd.DataFrame:
    """Return `sample_id` and `analyte` ("" stands for all) of samples of which a reading was asked for again."""
    return store.connection.execute(
        f"SELECT DISTINCT sample_id, unnest(analytes) AS analyte FROM ({_PENDING}) "  # noqa: S608 - a constant
        "WHERE list_contains($1, sample_id)",
        [list(sample_ids)],
    ).df()


def any_asked_again(store: Store) -> bool:
    """Tell whether any reading was asked for again and has not come."""
    return bool(store.connection.execute(f"SELECT 1 FROM ({_PENDING}) LIMIT 1").fetchall())  # noqa: S608 - a constant


def settle_repeats(store: Store, batch_id: str) -> set[str]:
    """Close the questions whose readings came with a batch, in the open transaction.

    A reading comes with the same sample, or with the next one of its place: same client, site, sampling point and
    stage, or where neither client nor site is named, same label. The reading that was in doubt counts no longer.

    Parameters
    ----------
    store : in a transaction, the batch in place.
    batch_id : the batch.

    Returns
    -------
    the samples whose questions were closed.
    """
    found = store.connection.execute(
        f"""
        WITH pending AS ({_PENDING}), fresh AS (
            SELECT sample_id, list(DISTINCT r.analyte) AS read
            FROM reading AS r JOIN source_file AS f ON f.file_sha256 = r.file_sha256 AND f.batch_id = $batch_id
            WHERE r.decision_id IS NULL GROUP BY sample_id
        )
        SELECT p.finding_id, p.decision_id, p.sample_id, n.sample_id AS brought_by,
            CASE WHEN any_analyte THEN read ELSE list_intersect(p.analytes, read) END AS analytes
        FROM pending AS p
        JOIN sample AS o ON o.sample_id = p.sample_id
        JOIN fresh AS r ON p.any_analyte OR list_has_any(p.analytes, r.read)
        JOIN sample AS n ON n.sample_id = r.sample_id
        WHERE n.sample_id = o.sample_id OR (
            n.client = o.client AND n.site = o.site AND n.sampling_point = o.sampling_point
            AND (n.stage = o.stage OR n.stage = '' OR o.stage = '') AND n.activity IN ('', 'routine')
            AND (o.client <> '' OR o.site <> '' OR (o.label <> '' AND n.label = o.label))
            AND coalesce(n.collected_at >= o.collected_at, true)
        )
        QUALIFY row_number() OVER (PARTITION BY p.finding_id ORDER BY n.sample_id = o.sample_id DESC, n.collected_at,
            n.line) = 1
        """,  # noqa: S608 - a constant
        {"batch_id": batch_id},
    ).df()
    if found.empty:
        return set()
    store.connection.register("brought", found)
    store.connection.execute("INSERT INTO repeated SELECT finding_id, brought_by, ? FROM brought", [batch_id])
    store.connection.execute(
        """
        INSERT INTO withdrawn
        SELECT DISTINCT b.decision_id, r.reading_id FROM brought AS b JOIN v_reading AS r USING (sample_id)
        WHERE r.counts AND b.brought_by <> b.sample_id AND list_contains(b.analytes, r.analyte)
        """
    )
    store.connection.unregister("brought")
    return set(found["sample_id"].astype("str"))
