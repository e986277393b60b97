"""The stored samples that new ones are judged together with, and what was thought of them so far."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from schemas.columns import CONTROLS, OPEN

if TYPE_CHECKING:
    from pipeline.store.database import Store

_MOST: Final = 1000  # of a small batch, those nearest in time; of a large one as many as it has
_DAYS: Final = 400  # a row is copied from the last visits, and a year has one of each season [CP]


def company(store: Store, about: pd.DataFrame) -> pd.DataFrame:
    """Find the stored samples of the clients and sites of a batch that lie near it in time, with their controls.

    What comes in two files is judged as if it had come in one: the bottles of a visit, the visits of a site, the sheet
    of a round. The blanks and standards of their files belong to no client, and judge them again as they did before.

    Parameters
    ----------
    about : (n, …) samples of the batch, index `sample_id`: `client site collected_at`.

    Returns
    -------
    frame, index `sample_id`: `verdict`, and `held`, the open findings of its last judgement in one text.
    """
    nothing = pd.DataFrame({"verdict": pd.Series(dtype="str"), "held": pd.Series(dtype="str")}).rename_axis("sample_id")
    days = about["collected_at"].dropna()
    stored = store.connection.execute("SELECT EXISTS (FROM sample)").fetchall()
    if not stored[0][0] or days.empty:
        return nothing
    owners = about[["client", "site"]].astype("str").drop_duplicates()
    owners = owners.assign(site=owners["site"].where(owners["client"] == "", "")).drop_duplicates()
    owners = owners[(owners != "").any(axis=1)]
    window = pd.Timedelta(days=_DAYS)
    store.connection.register("owners_of_batch", owners)
    store.connection.register("samples_of_batch", pd.DataFrame({"sample_id": about.index.astype("str")}))
    try:
        found = store.connection.execute(
            f"""
            WITH near AS (
                SELECT s.sample_id, s.batch_id, s.verdict
                FROM sample AS s
                JOIN owners_of_batch AS o ON s.client = o.client AND (o.client <> '' OR s.site = o.site)
                WHERE s.collected_at BETWEEN $1 AND $2
                    AND s.sample_id NOT IN (SELECT sample_id FROM samples_of_batch)
                ORDER BY abs(epoch(s.collected_at) - epoch($3)), s.sample_id
                LIMIT {max(_MOST, len(about))}
            ), known AS (
                SELECT DISTINCT r.file_sha256 FROM reading AS r SEMI JOIN (
                    SELECT sample_id FROM near UNION ALL SELECT sample_id FROM samples_of_batch
                ) USING (sample_id)
            ), together AS (
                FROM near
                UNION
                SELECT sample_id, batch_id, verdict FROM sample SEMI JOIN known USING (file_sha256)
                WHERE list_contains($5, activity) AND sample_id NOT IN (SELECT sample_id FROM samples_of_batch)
            )
            SELECT near.sample_id, any_value(near.verdict) AS verdict, coalesce(
                string_agg(f.check_id || ' ' || f.analyte, ', ' ORDER BY f.check_id, f.analyte)
                FILTER (list_contains($4, f.severity)), '') AS held
            FROM together AS near LEFT JOIN finding AS f ON f.sample_id = near.sample_id AND f.batch_id = near.batch_id
            GROUP BY near.sample_id ORDER BY near.sample_id
            """,  # noqa: S608 - a number of this module
            [
                *(_utc(day) for day in (days.min() - window, days.max() + window, days.max())),
                list(OPEN),
                list(CONTROLS),
            ],
        ).df()
    finally:
        store.connection.unregister("owners_of_batch")
        store.connection.unregister("samples_of_batch")
    return found.set_index("sample_id").astype("str") if len(found) else nothing


def _utc(moment: pd.Timestamp) -> pd.Timestamp:
    """Write a moment as the store does: UTC, without saying so."""
    return moment.tz_convert("UTC").tz_localize(None) if moment.tzinfo else moment
