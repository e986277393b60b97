"""Read a store: what earlier batches know, answers to named questions, and copies for analysts."""

from __future__ import annotations

import difflib
import json
import re
import shutil
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

import duckdb
import pandas as pd
import pyarrow as pa

from pipeline.errors import KettlestoneError
from pipeline.store import faults, migrate
from pipeline.store.database import Store, copy_database, identifier, literal

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


_NAME: Final = re.compile(r"[a-z][a-z0-9-]*")
_TIMES: Final = ("collected_at", "analysed_on", "received_on", "calibrated_on", "reagent_expiry")
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
    AND reading_id NOT IN (SELECT corrects FROM v_correction WHERE corrects IS NOT NULL)
    AND (decision_id IS NULL OR reading_id IN (SELECT reading_id FROM v_correction)) AS counts"""
_REGISTER_KEYS: Final[dict[str, str]] = {
    "site": "client, site",
    "machine": "client, site, machine",
    "treatment": "client, site, treatment",
}


def known_files(store: Store, hashes: Iterable[str] | None = None) -> dict[str, str]:
    """Look up the files the store has read: hash → the batch that brought it.

    A file nobody understood is not among them: with a new layout it can be read after all.

    Parameters
    ----------
    hashes : the files in question; None = all.
    """
    known = (
        "SELECT file_sha256, min(batch_id) FROM source_file {} "
        "WHERE status <> 'not understood' AND file_sha256 <> '' GROUP BY file_sha256"
    )
    if hashes is None:
        return dict(store.connection.execute(known.format("")).fetchall())
    wanted = pd.DataFrame({"file_sha256": pd.Series(list(hashes), dtype="str")})
    store.connection.register("wanted_files", wanted)
    try:
        among = known.format("SEMI JOIN wanted_files USING (file_sha256)")
        found = store.connection.execute(among).fetchall()
    finally:
        store.connection.unregister("wanted_files")
    return dict(found)


def files_of(path: Path, wait_s: float) -> dict[str, str]:
    """Return the files a store has, as ``known_files``; none where there is no store yet, and none is made."""
    if not path.exists():
        return {}
    with Store(path, wait_s=wait_s) as store:
        return known_files(store)


def file_names(store: Store) -> dict[str, str]:
    """Name the files the store has: hash → name."""
    found = store.connection.execute("SELECT file_sha256, min(name) FROM source_file GROUP BY file_sha256").fetchall()
    return dict(found)


def prior_readings(store: Store, sample_ids: Iterable[str]) -> pd.DataFrame:
    """Return the stored readings of samples, so that a later batch can check them together.

    Parameters
    ----------
    sample_ids : samples of the batch at hand; most are new and cost nothing.

    Returns
    -------
    (m, …) frame of the columns of table `reading` in the order they were stored, with `counts` (False
    where a declared later report or a correction replaced the reading); repeated text comes as category columns.
    """
    known = _of_samples(store, "sample", "sample_id", sample_ids)["sample_id"]
    if known.empty:
        return pd.DataFrame()
    found = _of_samples(store, "reading", f"*, {_COUNTS}", known).sort_values("reading_id", ignore_index=True)
    return found.astype(dict.fromkeys(_CATEGORIES, "category"))


def prior(store: Store, about: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return what the store knows of the samples of a batch, in the form a file gives it.

    Parameters
    ----------
    about : samples of the batch, index `sample_id`.

    Returns
    -------
    rows : (r, …) one row per stored sample and file: the facts of the sample, `file_sha256`, `line`.
    readings : (m, …) as ``prior_readings``, with `row`, the position in ``rows``. Both are empty frames where
        nothing is known.
    """
    readings = prior_readings(store, about.index)
    if readings.empty:
        return pd.DataFrame(), readings
    keys = readings.groupby(["sample_id", "file_sha256"], sort=False)
    lines = keys["line"].min().rename("line").reset_index()
    facts = _of_samples(store, "sample", "*", lines["sample_id"].unique()).drop(columns=["line"])
    rows = lines.merge(facts.rename(columns={"file_sha256": "first_file"}), on="sample_id", how="left")
    # A report's number belongs to the file that stated it.
    rows["report_id"] = rows["report_id"].where(rows["file_sha256"] == rows["first_file"], "")
    for name in _TIMES:
        rows[name] = rows[name].astype("datetime64[us]").dt.tz_localize("UTC")
    midnight = rows["collected_at"] == rows["collected_at"].dt.floor("D")
    precision = pd.Series(midnight.map({True: "day", False: "time"}), dtype="str")
    rows["collected_precision"] = rows["collected_precision"].mask(rows["collected_precision"] == "", precision)
    inner = ["sample_id", "first_file", "verdict", "not_evaluated", "other", "batch_id"]
    placed = readings.assign(row=keys.ngroup().astype("int32")).drop(columns=["corrects", "decision_id"])
    return rows.drop(columns=inner), placed


def sample_rows(store: Store, sample_ids: Iterable[str]) -> pd.DataFrame:
    """Return the rows of table `sample` of some samples, as they were stored."""
    return _of_samples(store, "sample", "*", sample_ids)


def samples(store: Store, sample_ids: Iterable[str] | None = None) -> pd.DataFrame:
    """Return samples with their numbers side by side (view `v_sample`), all of them or those named."""
    if sample_ids is None:
        return store.connection.execute("SELECT * FROM v_sample ORDER BY collected_at, sample_id").df()
    return _of_samples(store, "v_sample", "*", sample_ids).sort_values(["collected_at", "sample_id"], ignore_index=True)


def earlier_samples(store: Store, about: pd.DataFrame, columns: Mapping[str, str]) -> pd.DataFrame:
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
    try:
        return store.connection.execute(
            f"""
            WITH near AS (
                SELECT sample_id, client, site, sampling_point, stage, collected_at
                FROM sample
                SEMI JOIN wanted_sites USING (client, site)
                WHERE collected_at IS NOT NULL AND activity IN ('', 'routine') AND verdict IN ('ok', 'note')
                    AND sample_id NOT IN (SELECT sample_id FROM own_samples)
            ), preferred AS (
                SELECT sample_id, analyte, arg_min({{'value': value, 'uncertainty': uncertainty}},
                    row(preference, coalesce(uncertainty, 1e300), line, reading_id)) AS number
                FROM v_reading
                SEMI JOIN near USING (sample_id)
                WHERE counts AND list_contains($analytes, analyte)
                GROUP BY sample_id, analyte
            )
            SELECT client, site, sampling_point, stage, collected_at, {numbers}
            FROM near JOIN preferred USING (sample_id)
            GROUP BY sample_id, client, site, sampling_point, stage, collected_at
            ORDER BY collected_at, sample_id
            """,  # noqa: S608 - names of the schema, quoted
            {"analytes": list(columns)},
        ).df()
    finally:
        store.connection.unregister("wanted_sites")
        store.connection.unregister("own_samples")


def find_sample(store: Store, text: str) -> str:
    """Return the `sample_id` a person means by an id or a label.

    Raises
    ------
    KettlestoneError : no sample has that name, or several have the label; they are listed.
    """
    found = store.connection.execute(
        "SELECT sample_id, client, site, stage, collected_at FROM sample WHERE sample_id = $1 "
        "UNION ALL SELECT sample_id, client, site, stage, collected_at FROM sample "
        "WHERE label = $1 AND NOT EXISTS (FROM sample WHERE sample_id = $1) ORDER BY 5, 1",
        [text],
    ).fetchall()
    if len(found) == 1:
        return str(found[0][0])
    if found:
        told = [
            (name, client, site, stage, f"{time:%Y-%m-%d}" if time else "") for name, client, site, stage, time in found
        ]
        lines = "\n".join(f"    {name}  {' · '.join(part for part in about if part)}" for name, *about in told)
        raise KettlestoneError(
            f'"{text}" is the label of {len(found)} samples:\n{lines}\n  Give the identifier at the left.'
        )
    raise KettlestoneError(
        f'"{text}" is neither the identifier nor the label of a stored sample.\n'
        "  Nothing was changed.\n"
        '  List the samples with kettlestone query "FROM v_sample".'
    )


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
            "  Nothing was changed.\n"
            "  List the findings and their numbers with kettlestone findings."
        )
    return found.iloc[0]


def neighbours(store: Store, sample_id: str, most: int) -> list[str]:
    """Name the samples a sample is judged beside: those of its site, and the nearest of its file.

    Parameters
    ----------
    sample_id : a stored sample; it is among the answer.
    most : the most samples of the site, and of the file.
    """
    found = store.connection.execute(
        """
        WITH own AS (FROM sample WHERE sample_id = $sample_id),
        of_site AS (
            SELECT s.sample_id FROM sample AS s, own
            WHERE s.client = own.client AND s.site = own.site AND (own.client <> '' OR own.site <> '')
            ORDER BY abs(date_diff('day', s.collected_at, own.collected_at)), s.sample_id LIMIT $most
        ), of_file AS (
            SELECT s.sample_id FROM sample AS s, own WHERE s.file_sha256 = own.file_sha256
            ORDER BY abs(s.line - own.line), s.sample_id LIMIT $most
        )
        SELECT sample_id FROM own UNION SELECT sample_id FROM of_site UNION SELECT sample_id FROM of_file
        """,
        {"sample_id": sample_id, "most": most},
    ).fetchall()
    return sorted(name for (name,) in found)


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


def corrected(store: Store, finding_id: int) -> bool:
    """Tell whether a correction decided on for a finding is in force."""
    found = store.connection.execute("SELECT 1 FROM v_correction WHERE finding_id = ?", [finding_id]).fetchall()
    return bool(found)


def registers(store: Store, kind: str) -> pd.DataFrame:
    """Return a register in force, the latest row for each key, with the file's own further columns.

    Parameters
    ----------
    kind : `site`, `machine` or `treatment`.
    """
    keys = _REGISTER_KEYS[kind]
    found = store.connection.execute(
        f"SELECT * FROM {kind} QUALIFY row_number() OVER "  # noqa: S608 - names of this module
        f"(PARTITION BY {keys} ORDER BY batch_id DESC, line DESC) = 1 ORDER BY {keys}"
    ).df()
    further = pd.DataFrame([json.loads(text or "{}") for text in found["other"]], index=found.index)
    return found.drop(columns="other").join(further.astype("str").where(further.notna(), ""))


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
    KettlestoneError : no question has that name, or the SQL is not understood.
    """
    if not store.read_only:
        raise ValueError("questions are asked on a store opened read-only")
    text = name_or_sql.strip()
    sql = _named(text) if _NAME.fullmatch(text) else text
    connection = store.connection
    connection.execute(f"SET VARIABLE today = DATE {literal(str(today or datetime.now(UTC).date()))}")
    connection.execute("SET enable_external_access = false")
    try:
        return connection.execute(sql).df()
    except duckdb.Error as error:
        raise KettlestoneError(
            f"the question was not understood: {error}\n"
            "  Nothing was changed: questions cannot write.\n"
            '  See a view and its columns with kettlestone query "DESCRIBE v_sample".'
        ) from error


def snapshot(store: Store, target: Path) -> Path:
    """Publish a copy that others read while the store is written.

    Parameters
    ----------
    target : a name ending in ``.duckdb`` gives one read-only DuckDB file with the views; any other
        name a folder with one Parquet file per table. An earlier copy of that name is replaced.

    Returns
    -------
    the target. It is complete or absent at every moment.

    Raises
    ------
    KettlestoneError : the target is in the way or cannot be written.
    """
    if target.resolve() == store.path.resolve():
        raise KettlestoneError(
            f"{target}: this is the store itself.\n  Nothing was changed.\n  Give the copy another name."
        )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.suffix == ".duckdb":
            _file_snapshot(store, target)
        else:
            _folder_snapshot(store, target)
    except (duckdb.Error, OSError) as error:
        raise faults.explain(target, error) from error
    return target


def _file_snapshot(store: Store, target: Path) -> None:
    if target.is_dir():
        raise faults.is_a_folder(target)
    copy_database(store.connection, target)
    target.chmod(0o444)


def _folder_snapshot(store: Store, target: Path) -> None:
    """Write the tables aside, then swap the folders; only a folder of Parquet files is ever replaced."""
    if target.exists() and not (target.is_dir() and all(f.suffix == ".parquet" for f in target.iterdir())):
        raise faults.not_a_store(target, "a snapshot replaces only a folder of Parquet files")
    with tempfile.TemporaryDirectory(prefix=".kettlestone-", dir=target.parent) as folder:
        fresh = Path(folder) / "fresh"
        fresh.mkdir()
        tables = store.connection.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database()"
        ).fetchall()
        # Readings are kept in two tables and shown as one.
        names = {name for (name,) in tables} - {"reading_kind", "reading_value"} | {"reading"}
        for table in sorted(names):
            file = literal(str(fresh / f"{table}.parquet"))
            store.connection.execute(f"COPY {identifier(table)} TO {file} (FORMAT parquet, COMPRESSION zstd)")
        if target.exists():
            shutil.move(target, Path(folder) / "earlier")
        fresh.rename(target)


def _named(name: str) -> str:
    known = migrate.scripts("queries")
    if f"{name}.sql" in known:
        return known[f"{name}.sql"]
    names = list(named_queries())
    near = difflib.get_close_matches(name, names, n=1)
    raise KettlestoneError(
        f'there is no question called "{name}"' + (f'; did you mean "{near[0]}"?' if near else ".") + "\n"
        "  Nothing was changed.\n"
        f"  Names: {', '.join(names)}. Or write SQL."
    )


def _of_samples(store: Store, table: str, columns: str, sample_ids: Iterable[str]) -> pd.DataFrame:
    names = sample_ids if isinstance(sample_ids, (pd.Index, pd.Series)) else list(sample_ids)
    wanted = pa.array(pd.Series(names, dtype="str"), type=pa.string())
    store.connection.register("wanted_samples", pa.table({"sample_id": wanted}))
    try:
        return store.connection.execute(
            f"SELECT {columns} FROM {table} SEMI JOIN wanted_samples USING (sample_id)"  # noqa: S608 - names of this module
        ).df()
    finally:
        store.connection.unregister("wanted_samples")
