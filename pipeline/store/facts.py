"""Facts of samples that people corrected: date, stage, site and sampling point, in force or taken back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.store.database import Store

TIMES: Final = ("collected_at", "analysed_on", "received_on")
_PLACE: Final = ("label", "client", "site", "stage")
_IDENTIFYING: Final = ("collected_at", "client", "site", "stage", "sampling_point")  # what makes a sample's identity
# Of each fact that was ever corrected: what the latest correction in force says, else what stood there at first.
_NOW: Final = """
    SELECT c.sample_id, c.name, coalesce(
        arg_max(c.after, a.decision_id),
        arg_min(c.before, c.decision_id)) AS value
    FROM corrected_fact AS c
    LEFT JOIN answer AS a ON a.decision_id = c.decision_id AND a.own
    GROUP BY c.sample_id, c.name
"""


def corrected_facts(store: Store, sample_ids: Iterable[str]) -> pd.DataFrame:
    """Return the facts of samples that were ever corrected, as they hold now.

    Returns
    -------
    (k, 3) frame `sample_id name value`, all text; times in UTC.
    """
    wanted = sorted(set(sample_ids))
    return store.connection.execute(f"SELECT * FROM ({_NOW}) WHERE list_contains($1, sample_id)", [wanted]).df()  # noqa: S608 - a constant


def with_corrected_facts(store: Store, about: pd.DataFrame) -> pd.DataFrame:
    """Give samples, index `sample_id`, the facts that people corrected."""
    if not _any(store):
        return about
    found = corrected_facts(store, about.index)
    found = found[found["sample_id"].isin(about.index)]
    for name, rows in found.groupby("name"):
        column = about[name].astype("object") if name not in TIMES else about[name].copy()
        told = pd.to_datetime(rows["value"], utc=True) if name in TIMES else rows["value"]
        column.loc[rows["sample_id"].to_numpy()] = told.to_numpy() if name not in TIMES else told.array
        about = about.assign(**{str(name): column if name in TIMES else column.astype("str")})
    return about


def rows_as_first_read(store: Store, rows: pd.DataFrame) -> pd.DataFrame:
    """Let a row that says of a sample what a person corrected say what was read at first: the sample is the same.

    The identity of a sample comes from what was read of it, and a sheet that was put right at its source tells of no
    other sample than the answer did.

    Parameters
    ----------
    store : open.
    rows : typed rows of files, with `label client site stage collected_at`.
    """
    if not _any(store) or rows.empty:
        return rows
    known = _corrected_places(store)
    if known.empty:
        return rows
    place = pd.DataFrame({name: rows[name].str.strip().str.casefold() for name in _PLACE})
    place["day"] = rows["collected_at"].dt.tz_localize(None).dt.floor("D")
    found = place.reset_index().merge(known, on=[*_PLACE, "day"]).drop_duplicates("index").set_index("index")
    rows = rows.copy()
    for name in _IDENTIFYING:
        told = found[f"first_{name}"].dropna()
        if len(told) and name in rows:
            right = pd.to_datetime(told, utc=True).astype(rows[name].dtype) if name in TIMES else told
            rows.loc[told.index, name] = right
    return rows


def _corrected_places(store: Store) -> pd.DataFrame:
    """Give what named samples that were corrected say of themselves now, folded, and what each fact was at first."""
    firsts = ", ".join(f"any_value(first) FILTER (name = '{name}') AS first_{name}" for name in _IDENTIFYING)
    return store.connection.execute(
        f"""
        WITH at_first AS (
            SELECT sample_id, name, arg_min(before, decision_id) AS first FROM corrected_fact GROUP BY sample_id, name
        )
        SELECT {", ".join(f"lower(trim(s.{name})) AS {name}" for name in _PLACE)},
            date_trunc('day', s.collected_at)::TIMESTAMP AS day, {firsts}
        FROM sample AS s JOIN at_first USING (sample_id)
        WHERE s.label <> ''
        GROUP BY s.sample_id, s.label, s.client, s.site, s.stage, s.collected_at
        """  # noqa: S608 - names of this module
    ).df()


def put_facts_in_place(store: Store, sample_ids: Iterable[str]) -> None:
    """Bring the rows of samples to the facts that hold now, in the open transaction."""
    found = corrected_facts(store, sample_ids)
    for name, rows in found.groupby("name"):
        store.connection.register("facts_now", rows)
        cast = "TIMESTAMP" if name in TIMES else "VARCHAR"
        store.connection.execute(
            f"UPDATE sample SET {name} = CAST(f.value AS {cast}) FROM facts_now AS f "  # noqa: S608 - a column of the schema
            "WHERE f.sample_id = sample.sample_id"
        )
        store.connection.unregister("facts_now")


def _any(store: Store) -> bool:
    return bool(store.connection.execute("SELECT 1 FROM corrected_fact LIMIT 1").fetchall())
