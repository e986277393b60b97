"""What earlier batches know of the samples and sites of a batch at hand."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.store.samples import rows_of
from pipeline.store.sql import identifier, literal
from schemas.fields import of_kind
from schemas.stored import SAMPLE_TIMES
from schemas.tables import SOURCE_ROWS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pipeline.store.connected import Connected

_REGISTER_KEYS: Final[dict[str, str]] = {
    "site": "client, site",
    "machine": "client, site, machine",
    "treatment": "client, site, treatment",
}
_FACTS: Final = of_kind(SOURCE_ROWS, "string")
_AT_ONCE: Final = 50_000  # samples whose readings are put into columns at a time, within the memory of the engine
_CATEGORIES: Final = (
    "analyte",
    "unit",
    "basis",
    "qualifier",
    "method",
    "raw_unit",
    "column",
    "form",
    "raw_basis",
    "note",
    "instrument",
    "ambiguous",
    "status",
)
# A reading counts unless a declared later report or a correction in force replaces it.
_COUNTS: Final = """
    reading_id NOT IN (SELECT reading_id FROM superseded)
    AND reading_id NOT IN (SELECT reading_id FROM withdrawn JOIN answer USING (decision_id) WHERE own)
    AND reading_id NOT IN (SELECT corrects FROM v_correction WHERE corrects IS NOT NULL)
    AND (decision_id IS NULL OR reading_id IN (SELECT reading_id FROM v_correction)) AS counts"""


def prior_readings(store: Connected, sample_ids: Iterable[str]) -> pd.DataFrame:
    """Return the stored readings of samples, so that a later batch can check them together.

    Parameters
    ----------
    sample_ids : samples of the batch at hand; most are new and cost nothing.

    Returns
    -------
    (m, …) frame of the columns of table `reading` in the order they were stored, with `counts` (False
    where a declared later report or a correction replaced the reading); repeated text comes as category columns.
    """
    known = rows_of(store, "sample", "sample_id", sample_ids)["sample_id"]
    if known.empty:
        return pd.DataFrame()
    found = rows_of(store, "reading", f"*, {_COUNTS}", known).sort_values("reading_id", ignore_index=True)
    return found.astype(dict.fromkeys(_CATEGORIES, "category"))


def prior(store: Connected, names: pd.Index) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return what the store knows of samples, in the form a file gives it.

    Parameters
    ----------
    names : `sample_id` of the samples of a batch, and of those judged beside them.

    Returns
    -------
    rows : (r, …) one row per stored sample and file: `sample_id`, the facts of the sample, `file_sha256`, `line`.
    readings : (m, …) as ``prior_readings``, with `row`, the position in ``rows``. Both are empty frames where
        nothing is known.
    """
    readings = prior_readings(store, names)
    if readings.empty:
        return pd.DataFrame(), readings
    taken_back = readings["decision_id"].notna() & ~readings["counts"]  # a correction that is no longer in force
    readings = readings[~taken_back].reset_index(drop=True)
    keys = readings.groupby(["sample_id", "file_sha256"], sort=False)
    lines = keys["line"].min().rename("line").reset_index()
    facts = rows_of(store, "sample", "*", lines["sample_id"].unique()).drop(columns=["line"])
    rows = lines.merge(facts.rename(columns={"file_sha256": "first_file"}), on="sample_id", how="left")
    # A report's number belongs to the file that stated it.
    rows["report_id"] = rows["report_id"].where(rows["file_sha256"] == rows["first_file"], "")
    # So do the cells that were not read: they are counted once.
    rows["cells_not_read"] = rows["cells_not_read"].where(rows["file_sha256"] == rows["first_file"], 0)
    for name in SAMPLE_TIMES:
        rows[name] = rows[name].astype("datetime64[us]").dt.tz_localize("UTC")
    midnight = rows["collected_at"] == rows["collected_at"].dt.floor("D")
    precision = pd.Series(midnight.map({True: "day", False: "time"}), dtype="str")
    rows["collected_precision"] = rows["collected_precision"].mask(rows["collected_precision"] == "", precision)
    rows = rows.join(_further(rows["other"], [name for name in _FACTS if name not in rows]))
    inner = ["first_file", "verdict", "not_evaluated", "other", "batch_id"]
    placed = readings.assign(row=keys.ngroup().astype("int32")).drop(columns=["corrects", "decision_id"])
    return rows.drop(columns=inner), placed


def _further(told: pd.Series, names: Sequence[str]) -> pd.DataFrame:
    """Give the facts that have no column of their own in the store, "" where none is told."""
    known = [json.loads(text or "{}") for text in told]
    stated = [name for name in names if any(name in one for one in known)]
    return pd.DataFrame({name: [str(one.get(name, "")) for one in known] for name in stated}, index=told.index)


def earlier_samples(store: Connected, about: pd.DataFrame, columns: Mapping[str, str]) -> pd.DataFrame:
    """Return usable samples of other batches at the sites of a batch, for its samples to be held against.

    Parameters
    ----------
    about : samples of the batch, index `sample_id`, with `client site`.
    columns : quantity → name of its column in the result.

    Returns
    -------
    (m, …) frame: `client site sampling_point stage collected_at` (UTC, no zone), a column for each quantity
    and `X.u` (k = 2) beside it. Samples on hold, controls and undated ones are left out.
    """
    sites = about[["client", "site"]].drop_duplicates().astype("str")
    own = pd.DataFrame({"sample_id": about.index.astype("str")})
    store.connection.register("wanted_sites", sites[(sites["client"] != "") | (sites["site"] != "")])
    store.connection.register("own_samples", own)
    numbers = ", ".join(
        f"max(number.value) FILTER (analyte = {literal(code)}) AS {identifier(name)}, "
        f"max(number.uncertainty) FILTER (analyte = {literal(code)}) AS {identifier(name + '.u')}"
        for code, name in columns.items()
    )
    near = f"""
        CREATE OR REPLACE TEMP TABLE near_sample AS
        SELECT sample_id, client, site, sampling_point, stage, collected_at,
            (row_number() OVER (ORDER BY sample_id) - 1) // {_AT_ONCE} AS part
        FROM sample
        SEMI JOIN wanted_sites USING (client, site)
        WHERE collected_at IS NOT NULL AND activity IN ('', 'routine') AND verdict IN ('ok', 'unjudged', 'note')
            AND sample_id NOT IN (SELECT sample_id FROM own_samples)
    """  # noqa: S608 - a number of ours
    wide = f"""
        WITH near AS (FROM near_sample WHERE part = $part), preferred AS (
            SELECT sample_id, analyte, arg_min({{'value': value, 'uncertainty': uncertainty}},
                row(preference, coalesce(uncertainty, 1e300), line, reading_id)) AS number
            FROM v_reading
            SEMI JOIN near USING (sample_id)
            WHERE counts AND list_contains($analytes, analyte)
            GROUP BY sample_id, analyte
        )
        SELECT sample_id, client, site, sampling_point, stage, collected_at, {numbers}
        FROM near JOIN preferred USING (sample_id)
        GROUP BY sample_id, client, site, sampling_point, stage, collected_at
    """  # noqa: S608 - names of the schema, quoted
    try:
        store.connection.execute(near)
        [(last,)] = store.connection.execute("SELECT coalesce(max(part), 0) FROM near_sample").fetchall()
        analytes = list(columns)
        found = [store.connection.execute(wide, {"analytes": analytes, "part": part}).df() for part in range(last + 1)]
    finally:
        store.connection.unregister("wanted_sites")
        store.connection.unregister("own_samples")
        store.connection.execute("DROP TABLE IF EXISTS near_sample")
    ranked = pd.concat(found, ignore_index=True).sort_values(["collected_at", "sample_id"], ignore_index=True)
    return ranked.drop(columns="sample_id")


def earlier_register(store: Connected, kind: str) -> pd.DataFrame:
    """Return a register in force, the latest row for each key, with the file's own further columns.

    Parameters
    ----------
    kind : `site`, `machine` or `treatment`.
    """
    keys = _REGISTER_KEYS[kind]
    found = store.connection.execute(
        f"SELECT * EXCLUDE (place, batch_place) "  # noqa: S608 - names of this module
        f"FROM (SELECT *, rowid AS place, min(rowid) OVER (PARTITION BY batch_id) AS batch_place FROM {kind}) "
        f"QUALIFY row_number() OVER (PARTITION BY {keys} ORDER BY batch_place DESC, line DESC, place DESC) = 1 "
        f"ORDER BY {keys}"
    ).df()
    further = pd.DataFrame([json.loads(text or "{}") for text in found["other"]], index=found.index)
    return found.drop(columns="other").join(further.astype("str").where(further.notna(), ""))
