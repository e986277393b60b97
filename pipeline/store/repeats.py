"""Readings that were asked for again: which questions wait for them, and which of them have come."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.store.reach import CONTROL_QUESTIONS
from pipeline.store.sql import literals

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from pipeline.store.database import Store

# What was put out with a control of the laboratory that failed is measured again, whether or not anybody asks for it.
# Only the same sample can take its own place then, and not with a copy of what was put out.
_PENDING: Final = f"""
    SELECT a.finding_id, a.decision_id, f.sample_id, string_split(f.analyte, ' ') AS analytes,
        f.analyte = '' OR a.action = 'reject' AS any_analyte, a.action = 'reject' AS put_out
    FROM answer AS a JOIN finding AS f USING (finding_id)
    WHERE (a.action = 'repeat' OR a.action = 'reject' AND f.check_id IN ({literals(CONTROL_QUESTIONS)}))
        AND f.sample_id IS NOT NULL
        AND NOT EXISTS (SELECT 1 FROM repeated AS r
            WHERE r.finding_id = a.finding_id AND r.decision_id = a.decision_id)
"""  # noqa: S608 - constants


def asked_again(store: Store, sample_ids: Iterable[str]) -> pd.DataFrame:
    """Return `sample_id` and `analyte` ("" stands for all) of samples of which a reading was asked for again.

    ``put_out`` tells those that nobody asked for, as their samples were put out with a control that failed.
    """
    return store.connection.execute(
        f"""
        SELECT DISTINCT sample_id, unnest(CASE WHEN any_analyte THEN [''] ELSE analytes END) AS analyte, put_out
        FROM ({_PENDING}) WHERE list_contains($1, sample_id)
        """,  # noqa: S608 - a constant
        [list(sample_ids)],
    ).df()


def any_asked_again(store: Store) -> bool:
    """Tell whether any reading was asked for again and has not come."""
    return bool(store.connection.execute(f"SELECT 1 FROM ({_PENDING}) LIMIT 1").fetchall())  # noqa: S608 - a constant


def settle_repeats(store: Store, batch_id: str) -> set[str]:
    """Close the questions whose readings came with a batch, in the open transaction.

    A reading comes with the same sample, or with the next one of its place: same client, site, sampling point and
    stage, or where neither client nor site is named, same label. The readings that were in doubt count no longer while
    the answer is in force; of the same sample that is all that is read again.

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
        WITH pending AS ({_PENDING}), near AS (
            SELECT n.sample_id FROM pending AS p JOIN sample AS o ON o.sample_id = p.sample_id JOIN sample AS n ON
                n.sample_id = o.sample_id OR NOT p.put_out AND n.client = o.client AND n.site = o.site
        ), fresh AS (
            SELECT sample_id, list(DISTINCT r.analyte) AS read, bool_or(NOT EXISTS (
                SELECT 1 FROM reading AS o WHERE o.sample_id = r.sample_id AND o.analyte = r.analyte
                    AND o.value IS NOT DISTINCT FROM r.value AND o."limit" IS NOT DISTINCT FROM r."limit"
                    AND o.decision_id IS NULL AND o.file_sha256 <> r.file_sha256
            )) AS otherwise
            FROM reading AS r JOIN source_file AS f ON f.file_sha256 = r.file_sha256 AND f.batch_id = $batch_id
            WHERE r.decision_id IS NULL AND r.sample_id IN (SELECT sample_id FROM near) GROUP BY sample_id
        )
        SELECT p.finding_id, p.decision_id, p.sample_id, n.sample_id AS brought_by,
            CASE WHEN any_analyte THEN read ELSE list_intersect(p.analytes, read) END AS analytes, read
        FROM pending AS p
        JOIN sample AS o ON o.sample_id = p.sample_id
        JOIN fresh AS r ON p.any_analyte OR list_has_any(p.analytes, r.read)
        JOIN sample AS n ON n.sample_id = r.sample_id
        WHERE n.sample_id = o.sample_id AND (r.otherwise OR NOT p.put_out) OR (
            NOT p.put_out AND n.client = o.client AND n.site = o.site AND n.sampling_point = o.sampling_point
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
    store.connection.execute(
        "INSERT INTO repeated SELECT finding_id, brought_by, ?, decision_id FROM brought", [batch_id]
    )
    store.connection.execute(
        """
        INSERT INTO withdrawn
        SELECT DISTINCT b.decision_id, r.reading_id FROM brought AS b JOIN v_reading AS r USING (sample_id)
        WHERE r.counts AND r.batch_id IS DISTINCT FROM $batch_id
            AND list_contains(CASE WHEN b.brought_by = b.sample_id THEN b.read ELSE b.analytes END, r.analyte)
        """,
        {"batch_id": batch_id},
    )
    store.connection.unregister("brought")
    return set(found["sample_id"].astype("str"))
