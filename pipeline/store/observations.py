"""Readings of many years as columns of numbers, for trends: one row a reading, texts as codes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.store.renamed_regions import last_names, names_of_region, regions_renamed
from pipeline.store.sql import literal, literals
from schemas.columns import CONTROLS, USABLE

if TYPE_CHECKING:
    from datetime import date

    import numpy.typing as npt

    from pipeline.store.database import Store
    from pipeline.store.renamed_regions import Renaming


@dataclass(frozen=True)
class Observations:
    """Samples with what is known of them, and their readings.

    ``samples``: columns of text as categories, times, numbers. ``readings``: `sample` (row of ``samples``),
    `kind` (row of ``kinds``), `value` (NaN where censored; the middle of the last drop where drops were counted),
    `limit`, `above` (the limit is a lower one). ``kinds``: `analyte unit basis method instrument degree_per_drop`.
    ``renamed``: regions that bear another name by now, which all their samples have here.
    """

    samples: pd.DataFrame
    readings: pd.DataFrame
    kinds: pd.DataFrame
    renamed: tuple[Renaming, ...] = ()


@dataclass(frozen=True)
class Chosen:
    """Which samples and readings are asked for; empty: all."""

    analytes: tuple[str, ...] = ()
    stages: tuple[str, ...] = ()
    client: str = ""
    site: str = ""
    region: str = ""
    since: date | None = None
    until: date | None = None
    verdicts: tuple[str, ...] = USABLE
    controls: bool = False


_SAMPLES = """
    CREATE OR REPLACE TEMP TABLE chosen_sample AS
    SELECT CAST(row_number() OVER (ORDER BY s.sample_id) - 1 AS INTEGER) AS number, s.* EXCLUDE (current_verdict)
    FROM (
        SELECT sample_id, client, site, sampling_point, stage, region, country, supply, operator, treatment,
            collected_at, counter_litres, current_verdict, activity
        FROM v_sample
    ) AS s
    WHERE {where}
    ORDER BY sample_id
"""
# Of the texts of v_reading none is needed here, only which readings count.
_READINGS = """
    SELECT c.number AS sample, CAST(v.kind_id AS INTEGER) AS kind,
        CASE WHEN k.form = 'drops' AND k.qualifier <> '<' THEN (v.value_low + v.value_high) / 2 ELSE v.value END
            AS value,
        v."limit" AS "limit", k.qualifier = '>' AS above
    FROM reading_value AS v
    JOIN (SELECT * FROM reading_kind WHERE {kinds}) AS k USING (kind_id)
    JOIN chosen_sample AS c USING (sample_id)
    WHERE (v.value IS NOT NULL OR v."limit" IS NOT NULL)
        AND v.reading_id IN (SELECT reading_id FROM counted_reading WHERE counts)
    ORDER BY v.reading_id
"""
_KINDS = """
    SELECT kind_id, analyte, unit, basis, method, instrument,
        degree_per_drop * nominal_ml / nullif(used_ml, 0) AS degree_per_drop
    FROM reading_kind ORDER BY kind_id
"""


def observations(store: Store, chosen: Chosen) -> Observations:
    """Read samples and readings that are asked for.

    Decisions and corrections count: a verdict is the current one, a corrected reading stands for what it corrects.
    """
    connection = store.connection
    renamed = regions_renamed(store)
    names = last_names(renamed)
    connection.execute(_SAMPLES.format(where=" AND ".join(_conditions(chosen, names))))
    samples = _categories(
        connection.sql("SELECT * EXCLUDE (number, sample_id) FROM chosen_sample ORDER BY number").to_arrow_table()
    )
    samples = samples.assign(region=_under_last_names(samples["region"], names))
    kinds = connection.execute(_KINDS).df()
    wanted = f"analyte IN ({literals(chosen.analytes)})" if chosen.analytes else "true"
    found = connection.execute(_READINGS.format(kinds=wanted)).fetchnumpy()
    place = pd.Series(np.arange(len(kinds), dtype=np.int32), index=kinds.pop("kind_id"))
    readings = pd.DataFrame({
        "sample": np.asarray(found["sample"]).astype(np.int32),
        "kind": place.reindex(np.asarray(found["kind"])).to_numpy(dtype=np.int32),
        "value": _numbers(found["value"]),
        "limit": _numbers(found["limit"]),
        "above": np.asarray(found["above"]).astype(bool),
    })  # fmt: skip
    kinds = kinds.astype(dict.fromkeys(("analyte", "method", "instrument"), "category"))
    return Observations(samples, readings, kinds, tuple(renamed))


def chosen_samples(store: Store, chosen: Chosen) -> pd.DataFrame:
    """Return the samples that are asked for as rows of `v_sample`, in the order of time.

    Parameters
    ----------
    chosen : its quantities say nothing here.
    """
    where = " AND ".join(_conditions(chosen, last_names(regions_renamed(store))))
    return store.connection.execute(
        f"SELECT s.* FROM v_sample AS s WHERE {where} ORDER BY s.collected_at, s.sample_id"  # noqa: S608 - words of ours, values as literals
    ).df()


def left_out(store: Store, chosen: Chosen) -> dict[str, int]:
    """Count the samples that a question does not take, by the reason that comes first."""
    usable = f"current_verdict IN ({literals(chosen.verdicts)})"
    reasons = {
        "laboratory controls": f"activity IN ({literals(CONTROLS)})",
        "on hold, rejected or not judged": f"NOT {usable}",
        "without a time of sampling": "collected_at IS NULL",
    }
    if chosen.stages:
        reasons["without a stage"] = "stage = ''"
    cases = " ".join(f"WHEN {condition} THEN {literal(reason)}" for reason, condition in reasons.items())
    rows = store.connection.execute(
        f"SELECT CASE {cases} END AS reason, count(*) FROM v_sample GROUP BY reason"  # noqa: S608 - words of ours
    ).fetchall()
    counted = {str(reason): int(count) for reason, count in rows if reason is not None}
    return {reason: counted[reason] for reason in reasons if reason in counted}


def people_left_out(store: Store, chosen: Chosen) -> dict[str, int]:
    """Name the people most of whose samples do not count because of their verdict, and how many samples that are."""
    rows = store.connection.execute(
        f"""
        SELECT operator, count(*) FILTER (NOT current_verdict IN ({literals(chosen.verdicts)})) AS held
        FROM v_sample WHERE operator <> '' AND activity NOT IN ({literals(CONTROLS)})
        GROUP BY operator HAVING held > count(*) / 2 ORDER BY held DESC, operator
        """  # noqa: S608 - words of ours
    ).fetchall()
    return {str(name): int(held) for name, held in rows}


def _under_last_names(regions: pd.Series, names: dict[str, str]) -> pd.Series:
    """Give every region the name it bears today."""
    return regions.astype("str").replace(names).astype("category") if names else regions


def _conditions(chosen: Chosen, names: dict[str, str]) -> list[str]:
    """Write what narrows the samples as SQL; ``names``: those that renamed regions bear today."""
    conditions = ["s.collected_at IS NOT NULL", f"s.current_verdict IN ({literals(chosen.verdicts)})"]
    if not chosen.controls:
        conditions.append(f"s.activity NOT IN ({literals(CONTROLS)})")
    if chosen.stages:
        conditions.append(f"s.stage IN ({literals(chosen.stages)})")
    conditions += [
        f"s.{name} = {literal(str(getattr(chosen, name)))}" for name in ("client", "site") if getattr(chosen, name)
    ]
    if chosen.region:
        conditions.append(f"s.region IN ({literals(names_of_region(chosen.region, names))})")
    if chosen.since:
        conditions.append(f"s.collected_at >= DATE {literal(str(chosen.since))}")
    if chosen.until:
        conditions.append(f"s.collected_at < DATE {literal(str(chosen.until))} + INTERVAL 1 DAY")
    return conditions


def _categories(table: Any) -> pd.DataFrame:  # noqa: ANN401 - an Arrow table or reader
    """Turn Arrow into pandas with every text column but the identifiers as categories."""
    table = table.read_all() if hasattr(table, "read_all") else table
    texts = [name for name in table.column_names if str(table.schema.field(name).type) == "string"]
    return pd.DataFrame(table.to_pandas(categories=texts))


def _numbers(column: Any) -> npt.NDArray[np.float64]:  # noqa: ANN401 - masked where NULL
    return np.ma.filled(np.ma.asarray(column, dtype=np.float64), np.nan)
