"""Questions to a store: those with a name, and SQL of one's own."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

import duckdb

from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.store import faults, migrate
from pipeline.store.sql import literal

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.store.database import Store

_NAME: Final = re.compile(r"[a-z][a-z0-9-]*")


def named_queries() -> dict[str, str]:
    """List the named questions: name → the question in one line (first line of the SQL)."""
    return {
        name.removesuffix(".sql"): text.splitlines()[0].removeprefix("--").strip()
        for name, text in migrate.scripts("queries").items()
    }


def query(store: Store, name_or_sql: str, *, today: date | None = None) -> pd.DataFrame:
    """Answer a named question, or run SQL that reads.

    The store must be open read-only; files outside it cannot be reached from the SQL.

    Parameters
    ----------
    name_or_sql : a name of ``named_queries`` or SQL over the views.
    today : what "the last 90 days" counts back from; default the day of the clock (UTC). SQL of one's
        own gets it as ``getvariable('today')``.

    Raises
    ------
    KettlestoneError : no question has that name, or the SQL is not one statement that is understood.
    """
    if not store.read_only:
        raise ValueError("questions are asked on a store opened read-only")
    text = name_or_sql.strip()
    sql = _named(text) if _NAME.fullmatch(text) else text
    connection = store.connection
    connection.execute(f"SET VARIABLE today = DATE {literal(str(today or datetime.now(UTC).date()))}")
    connection.execute("SET enable_external_access = false")
    try:
        _refuse_unless_one(connection.extract_statements(sql))
        return _answered(connection, sql)
    except duckdb.Error as error:
        if faults.is_damaged(error):
            raise faults.damaged(store.path, error) from error
        raise KettlestoneError(
            f"the question was not understood: {error}\n"
            f"  {UNCHANGED} Questions cannot write.\n"
            '  See a view and its columns with kettlestone query "DESCRIBE v_sample".'
        ) from error


def _answered(connection: duckdb.DuckDBPyConnection, sql: str) -> pd.DataFrame:
    """Run a question on a thread of its own: signals reach only a thread that does not wait inside the engine."""
    with ThreadPoolExecutor(1) as engine:
        answer = engine.submit(lambda: connection.execute(sql).df())
        try:
            return answer.result()
        except BaseException:
            connection.interrupt()
            raise


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
