"""Questions to a store: those with a name, and SQL of one's own."""

from __future__ import annotations

import re
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

import duckdb
import pandas as pd

from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.store import faults, migrate
from pipeline.store.renamed_regions import last_names, names_of_region, regions_renamed
from pipeline.store.sql import identifier, literal, literals
from pipeline.treat.processes.naming import treatment_meant

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pipeline.store.database import Store

_NAME: Final = re.compile(r"[a-z][a-z0-9-]*")
_EXPLAINED: Final = re.compile(r"^--   (\w+): (.+)$", re.MULTILINE)
MOST_ROWS: Final = 1_000_000
MOST_SECONDS: Final = 120.0
_FILTERED: Final = ("sample", "reading", "v_reading", "v_sample", "v_finding", "v_latest", "v_trend", "v_region")
_CHUNK: Final = 64  # vectors of 2,048 rows that are fetched at a time
_WIDE: Final = 1_000  # bytes of a row, from which on vectors are fetched one at a time
_MEMORY: Final = (
    "1200MB"  # with less, numbers of 200,000 samples are laid side by side in pieces, at three times the cost
)
_MOST_BYTES: Final = 256 << 20  # of an answer as it lies in memory


@dataclass(frozen=True)
class QueryScope:
    """What a question is asked of: only a region or client, only from a day on; and how much it may take."""

    region: str = ""
    client: str = ""
    since: date | None = None
    most_rows: int = MOST_ROWS
    most_seconds: float = MOST_SECONDS


def named_queries() -> dict[str, str]:
    """List the named questions: name → the question in one line (first line of the SQL)."""
    return {
        name.removesuffix(".sql"): text.splitlines()[0].removeprefix("--").strip()
        for name, text in migrate.scripts("queries").items()
    }


def answer_columns(name: str) -> dict[str, str]:
    """Give the columns of the answer to a named question: name → what it holds.

    Raises
    ------
    KettlestoneError : no question has that name.
    """
    return dict(_EXPLAINED.findall(_named(name)))


def query(
    store: Store,
    name_or_sql: str,
    *,
    today: date | None = None,
    asked: QueryScope | None = None,
    given: Mapping[str, Callable[[Store], pd.DataFrame]] | None = None,
) -> pd.DataFrame:
    """Answer a named question, or run SQL that reads.

    The store must be open read-only; files outside it cannot be reached from the SQL.

    Parameters
    ----------
    name_or_sql : a name of ``named_queries`` or SQL over the views.
    today : what "the last 90 days" counts back from; default the day of the clock (UTC). SQL of one's
        own gets it as ``getvariable('today')``.
    asked : only of some samples, and limits.
    given : further tables that a question may name, each worked out where it does.

    Raises
    ------
    KettlestoneError : no question has that name, the SQL is not one statement that is understood, or it takes too long.
    """
    if not store.read_only:
        raise ValueError("questions are asked on a store opened read-only")
    asked = asked or QueryScope()
    text = name_or_sql.strip()
    prepared = _NAME.fullmatch(text) is not None
    sql = _named(text) if prepared else text
    connection = store.connection
    for name, frame_of in {"treatment_meaning": treatment_meanings, **(given or {})}.items():
        if re.search(rf"\b{name}\b", sql):
            connection.register(name, frame_of(store))
    _narrow(store, asked, last=prepared and re.search(r"\bregion\b", sql) is not None)
    connection.execute(f"SET VARIABLE today = DATE {literal(str(today or datetime.now(UTC).date()))}")
    connection.execute(f"SET memory_limit = '{_MEMORY}'")
    connection.execute("SET enable_external_access = false")
    try:
        _refuse_unless_one(connection.extract_statements(sql))
        return _answered(connection, sql, asked)
    except duckdb.InterruptException as error:
        raise KettlestoneError(
            f"the question took more than {asked.most_seconds:g} s and was stopped.\n  {UNCHANGED}\n"
            "  Ask for less, or allow more with --seconds."
        ) from error
    except (duckdb.OutOfMemoryException, MemoryError) as error:
        raise KettlestoneError(
            f"the question or its answer takes more memory than is allowed.\n  {UNCHANGED}\n"
            "  Ask for fewer or shorter columns, for fewer rows, or for a part of the samples."
        ) from error
    except duckdb.Error as error:
        if faults.is_damaged(error):
            raise faults.damaged(store.path, error) from error
        raise KettlestoneError(
            f"the question was not understood: {error}\n"
            f"  {UNCHANGED} Questions cannot write.\n"
            '  See a view and its columns with kettlestone query "DESCRIBE v_sample".'
        ) from error


def treatment_meanings(store: Store) -> pd.DataFrame:
    """Give the one name of every treatment that samples name in some words or language: `treatment meant`."""
    found = store.connection.execute("SELECT DISTINCT treatment FROM sample WHERE treatment <> ''").df()
    return found.assign(meant=found["treatment"].map(treatment_meant))


def _narrow(store: Store, asked: QueryScope, *, last: bool) -> None:
    """Put a view of the samples that are asked for in front of each table and view.

    A region that was renamed is one region, whichever of its names is asked for. It has its ``last`` name in prepared
    questions that speak of regions; SQL of one's own sees the names as they were written.
    """
    connection = store.connection
    database, schema = connection.execute("SELECT current_database(), current_schema()").fetchall()[0]
    names = last_names(regions_renamed(store)) if last or asked.region else {}
    conditions = _conditions(asked, names)
    called = _last_name(names) if last and names else ""
    if not conditions and not called:
        return
    samples = " AND ".join(conditions.values()) or "true"
    for name in _FILTERED:
        source = f"{identifier(database)}.{identifier(schema)}.{identifier(name)}"
        columns = {row[0] for row in connection.execute(f"DESCRIBE {source}").fetchall()}
        if "sample_id" in columns and conditions:
            of = f"{identifier(database)}.{identifier(schema)}.sample"
            where = f"sample_id IN (SELECT sample_id FROM {of} WHERE {samples})"  # noqa: S608 - names and quoted texts
        else:
            where = " AND ".join(text for column, text in conditions.items() if column in columns) or "true"
        told = f"* REPLACE ({called} AS region)" if called and "region" in columns else "*"
        connection.execute(
            f"CREATE OR REPLACE TEMP VIEW {identifier(name)} AS SELECT {told} FROM {source} WHERE {where}"  # noqa: S608 - same
        )


def _conditions(asked: QueryScope, names: dict[str, str]) -> dict[str, str]:
    """Write what narrows the samples as SQL, by the column it speaks of."""
    conditions = {}
    if asked.region:
        conditions["region"] = f"region IN ({literals(names_of_region(asked.region, names))})"
    if asked.client:
        conditions["client"] = f"client = {literal(asked.client)}"
    if asked.since:
        conditions["collected_at"] = f"collected_at >= DATE {literal(str(asked.since))}"
    return conditions


def _last_name(names: dict[str, str]) -> str:
    """Write the last name of each region as SQL."""
    cases = " ".join(f"WHEN {literal(old)} THEN {literal(new)}" for old, new in names.items())
    return f"CASE region {cases} ELSE region END"


def _answered(connection: duckdb.DuckDBPyConnection, sql: str, asked: QueryScope) -> pd.DataFrame:
    """Run a question on a thread of its own: signals reach only a thread that does not wait inside the engine."""
    timer = threading.Timer(asked.most_seconds, connection.interrupt)
    timer.start()
    with ThreadPoolExecutor(1) as engine:
        answer = engine.submit(_fetched, connection, sql, asked.most_rows)
        try:
            return answer.result()
        except BaseException:
            connection.interrupt()
            raise
        finally:
            timer.cancel()


def _fetched(connection: duckdb.DuckDBPyConnection, sql: str, most: int) -> pd.DataFrame:
    """Fetch an answer, so many rows of it; `attrs["cut"]` says that there would have been more."""
    connection.execute(sql)
    parts = [connection.fetch_df_chunk(1)]
    rows, size = len(parts[0]), _bytes(parts[0])
    while len(parts[-1]) and rows <= most and size <= _MOST_BYTES:
        parts.append(connection.fetch_df_chunk(1 if size > _WIDE * rows else _CHUNK))
        rows, size = rows + len(parts[-1]), size + _bytes(parts[-1])
    if size > _MOST_BYTES:
        raise MemoryError
    filled = [part for part in parts if len(part)] or parts[:1]
    found = pd.concat(filled, ignore_index=True)
    cut = len(found) > most
    found = found.head(most)
    found.attrs["cut"] = cut
    return found


def _bytes(part: pd.DataFrame) -> int:
    return int(part.memory_usage(deep=True).sum())


def _refuse_unless_one(statements: list[duckdb.Statement]) -> None:
    """Refuse no statement at all (blanks, comments, a semicolon) and several, of which only the last would be shown."""
    if len(statements) != 1:
        said = f"{len(statements)} statements" if statements else "no statement"
        raise KettlestoneError(
            f'the question holds {said}; ask with one.\n  {UNCHANGED}\n  For example kettlestone query "FROM v_sample".'
        )


def _named(name: str) -> str:
    known = migrate.scripts("queries")
    if f"{name}.sql" in known:
        return known[f"{name}.sql"]
    names = list(named_queries())
    raise KettlestoneError(
        f'there is no question called "{name}"{did_you_mean(name, names)}\n'
        f"  {UNCHANGED}\n"
        f"  Names: {', '.join(names)}. Or write SQL."
    )
