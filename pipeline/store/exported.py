"""What leaves the store: samples, readings and findings of a client, a site, a region, from a day on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.store.renamed_regions import last_names, names_of_region, regions_renamed
from pipeline.store.sql import identifier, literal, literals
from schemas.columns import QARTOD_FLAGS, QARTOD_MISSING

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    import pandas as pd

    from pipeline.store.database import Store

EXPORTED: Final = {"samples": "v_sample", "readings": "v_reading", "findings": "v_finding"}
_TYPES: Final = {"VARCHAR": "string", "DOUBLE": "number", "FLOAT": "number", "BIGINT": "integer", "INTEGER": "integer",
                 "BOOLEAN": "boolean", "TIMESTAMP": "datetime", "DATE": "date"}  # fmt: skip


@dataclass(frozen=True)
class ExportScope:
    """Whose data leave; empty: all."""

    client: str = ""
    site: str = ""
    region: str = ""
    since: date | None = None


def exported(store: Store, table: str, scope: ExportScope) -> pd.DataFrame:
    """Give one of ``EXPORTED``, whole and in a fixed order, with the QARTOD flag of each row behind it."""
    return store.connection.execute(_selected(store, table, scope)).df()


def export_parquet(store: Store, table: str, scope: ExportScope, folder: Path) -> None:
    """Write one of ``EXPORTED`` as Parquet, in folders by region and year (``region=North/year=2024``)."""
    store.connection.execute(
        f"COPY (SELECT *, year(collected_at) AS year FROM ({_selected(store, table, scope)})) "  # noqa: S608 - quoted texts
        f"TO {literal(str(folder))} (FORMAT parquet, COMPRESSION zstd, PARTITION_BY (region, year), "
        "WRITE_PARTITION_COLUMNS true)"
    )


def described(store: Store, table: str) -> list[dict[str, str]]:
    """Give the fields of one of ``EXPORTED`` as Table Schema writes them."""
    found = store.connection.execute(
        "SELECT column_name, data_type, comment FROM duckdb_columns() "
        "WHERE database_name = current_database() AND table_name = ? ORDER BY column_index",
        [EXPORTED[table]],
    ).fetchall()
    fields = [
        {"name": name, "type": _TYPES.get(kind, "string"), "title": comment or name} for name, kind, comment in found
    ]
    flag = {
        "name": "qartod_flag",
        "type": "integer",
        "title": "QARTOD: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing",
    }
    return [*fields, flag] if table != "findings" else fields


def _selected(store: Store, table: str, scope: ExportScope) -> str:
    """Write the query of one table; a region that was renamed is one region, and keeps the name of each sample."""
    conditions = [
        f"{identifier(name)} = {literal(getattr(scope, name))}" for name in ("client", "site") if getattr(scope, name)
    ]
    if scope.region:
        region = names_of_region(scope.region, last_names(regions_renamed(store)))
        conditions.append(f"region IN ({literals(region)})")
    if scope.since:
        conditions.append(f"collected_at >= DATE {literal(str(scope.since))}")
    where = " AND ".join(conditions) or "true"
    cases = " ".join(f"WHEN {literal(word)} THEN {flag}" for word, flag in QARTOD_FLAGS.items())
    if table == "samples":
        return f"SELECT *, CAST(CASE current_verdict {cases} END AS INTEGER) AS qartod_flag FROM v_sample WHERE {where} ORDER BY sample_id"  # noqa: S608, E501 - quoted texts
    if table == "readings":
        flag = f'CASE WHEN v.value IS NULL AND v."limit" IS NULL THEN {QARTOD_MISSING} '
        flag += f"ELSE CASE s.current_verdict {cases} END END"
        return (
            f"SELECT v.*, CAST({flag} AS INTEGER) AS qartod_flag FROM (SELECT * FROM v_reading WHERE {where}) AS v "  # noqa: S608 - same
            "JOIN (SELECT sample_id, current_verdict FROM v_sample) AS s USING (sample_id) ORDER BY v.reading_id"
        )
    return f"SELECT * FROM v_finding WHERE {where} ORDER BY finding_id"  # noqa: S608 - same
