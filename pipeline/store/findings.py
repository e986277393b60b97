"""Findings of a store, with the decisions in force."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.store.database import Store


def finding(store: Store, finding_id: int) -> pd.Series:
    """Return one finding with its sample and the decision in force (a row of view `v_finding`).

    Raises
    ------
    KettlestoneError : there is no such finding.
    """
    found = store.connection.execute("SELECT * FROM v_finding WHERE finding_id = ?", [finding_id]).df()
    if found.empty:
        raise KettlestoneError(
            f"there is no finding {finding_id}.\n"
            f"  {UNCHANGED}\n"
            "  List the findings and their numbers with kettlestone findings."
        )
    return found.iloc[0]


def findings(
    store: Store,
    *,
    batch_id: str | None = None,
    sample_id: str | None = None,
    check_id: str | None = None,
    severity: str | None = None,
    current: bool = True,
) -> pd.DataFrame:
    """Return findings with their samples and decisions (view `v_finding`), the worst first.

    Parameters
    ----------
    batch_id, sample_id, check_id, severity : keep those that match; None = any.
    current : leave out findings about a state of a sample that a later batch has replaced.
    """
    wanted = {"batch_id": batch_id, "sample_id": sample_id, "check_id": check_id, "severity": severity}
    given = {name: value for name, value in wanted.items() if value is not None}
    conditions = [f"{name} = ${name}" for name in given] + (["is_current"] if current else [])
    where = f"WHERE {' AND '.join(conditions)}" if conditions else ""
    return store.connection.execute(
        f"SELECT * FROM v_finding {where} "  # noqa: S608 - column names only; values are parameters
        "ORDER BY list_position(['reject', 'hold', 'note'], severity), finding_id",
        given,
    ).df()


def known_check(store: Store, text: str) -> str:
    """Return the id of the check that a person means.

    Raises
    ------
    KettlestoneError : no check of that name ever found anything in this store.
    """
    found = store.connection.execute("SELECT check_id FROM check_run UNION SELECT check_id FROM finding").fetchall()
    return _known(text, [str(name) for (name,) in found], "check", "kettlestone checks lists all of them.")


def known_batch(store: Store, text: str) -> str:
    """Return the batch that a person means; see ``known_check``."""
    found = store.connection.execute("SELECT batch_id FROM batch ORDER BY batch_id").fetchall()
    return _known(text, [str(name) for (name,) in found], "batch", 'kettlestone query "FROM batch" lists all of them.')


def known_file(store: Store, text: str) -> str:
    """Return the SHA-256 of the file that a person means: its name, the end of its path, or the hash.

    Raises
    ------
    KettlestoneError : no file is called so, or several are.
    """
    found = store.connection.execute(
        "SELECT DISTINCT file_sha256, name FROM source_file WHERE file_sha256 <> '' "
        "AND (name = $1 OR ends_with(name, '/' || $1) OR (length($1) >= 6 AND starts_with(file_sha256, $1)))",
        [text.strip()],
    ).fetchall()
    if len({sha256 for sha256, _ in found}) == 1:
        return str(found[0][0])
    if found:
        listed = "\n".join(f"    {sha256[:10]}  {name}" for sha256, name in found)
        raise KettlestoneError(
            f'{len(found)} files are called "{text}":\n{listed}\n  {UNCHANGED}\n  Give the letters at the left.'
        )
    names = store.connection.execute("SELECT DISTINCT name FROM source_file").fetchall()
    known = [str(name).rpartition("/")[2] for (name,) in names]
    return _known(text, known, "file", 'kettlestone query "FROM source_file" lists all of them.')


def _known(text: str, known: list[str], what: str, listed: str) -> str:
    if text.strip() in known:
        return text.strip()
    raise KettlestoneError(f'the store has no {what} "{text}"{did_you_mean(text, known)}\n  {UNCHANGED}\n  {listed}')
