"""Opening a store: what cannot work is refused in words, and the file is never harmed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from typing import TYPE_CHECKING

import duckdb
import pytest

from pipeline.errors import KettlestoneError
from pipeline.store import migrate
from pipeline.store.database import STORAGE_VERSION, Store, start
from pipeline.store.faults import StoreLockedError
from pipeline.store.migrate import Migration
from schemas.stored import STORED, missing_statements

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("stores_built_anew")

_TABLES = {
    "batch": "batch_id started_at finished_at version settings entries_read entries_accepted entries_set_aside",
    "source_file": "file_sha256 batch_id name bytes layout encoding delimiter decimal_mark lines",
    "sample": "sample_id label client site sampling_point stage region country collected_at verdict",
    "reading": "reading_id sample_id analyte value unit basis qualifier limit uncertainty method drops "
    "raw_text raw_unit file_sha256 line column",
    "finding": "finding_id batch_id sample_id check_id severity observed low high unit message evidence reading_ids",
    "explanation": "batch_id sample_id rank mistake analyte other_analyte detail probability evidence",
    "assessment": "sample_id quantity value low high unit method",
    "set_aside": "batch_id file_sha256 line column raw_text problem message",
    "check_run": "batch_id check_id evaluated not_evaluated flagged",
}


def _columns(store: Store, table: str) -> list[str]:
    found = store.connection.execute(
        "SELECT column_name FROM duckdb_columns() WHERE table_name = ? ORDER BY column_index", [table]
    ).fetchall()
    return [name for (name,) in found]


def _in_words(error: BaseException) -> None:
    """Every refusal says what happened, what is safe and what to do: three lines at least."""
    assert len(str(error).splitlines()) >= 3
    assert "Error:" not in str(error).splitlines()[-1]


@pytest.mark.parametrize("table", _TABLES)
def test_tables_begin_with_the_columns_analysts_rely_on(tmp_path: Path, table: str) -> None:
    """Names and order are a promise; further columns come after them."""
    with Store(tmp_path / "s.duckdb") as store:
        columns = _columns(store, table)

    promised = _TABLES[table].split()
    assert columns[: len(promised)] == promised


def test_the_migrations_make_what_the_declaration_says(tmp_path: Path) -> None:
    """Where this fails, the statements are what the next numbered migration lacks."""
    present: dict[str, dict[str, str]] = {}
    with Store(tmp_path / "s.duckdb") as store:
        found = store.connection.execute(
            "SELECT c.table_name, c.column_name, c.data_type FROM duckdb_columns() AS c JOIN duckdb_tables() AS t "
            "USING (table_oid) WHERE c.database_name = current_database() AND t.database_name = current_database()"
        ).fetchall()
    for table, column, kind in found:
        present.setdefault(table, {})[column] = kind

    assert missing_statements(present) == []
    housekeeping = {"schema_version", "view_version"}
    declared = {table: {field.name: field.sql_type for field in fields} for table, fields in STORED.items()}
    assert {table: columns for table, columns in present.items() if table not in housekeeping} == declared


def test_the_store_allows_the_words_of_the_declaration(tmp_path: Path) -> None:
    with Store(tmp_path / "s.duckdb") as store:
        rules = store.connection.execute(
            "SELECT table_name, constraint_text FROM duckdb_constraints() WHERE constraint_type = 'CHECK'"
        ).fetchall()
    allowed = {
        (table, words[1]): set(re.findall(r"'([^']*)'", words[2]))
        for table, rule in rules
        if (words := re.search(r"\(?(\w+) IN \(([^)]*)\)", rule))
    }
    worded = {
        (table, field.name): {*field.words} for table, fields in STORED.items() for field in fields if field.words
    }

    shared = allowed.keys() & worded.keys()
    assert {("sample", "stage"), ("sample", "verdict"), ("finding", "severity")} <= shared
    assert {place: allowed[place] - {""} for place in shared} == {place: worded[place] - {""} for place in shared}


def test_a_new_store_is_readable_by_older_tools_and_leaves_no_scraps(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "it's.duckdb"

    with Store(path) as store:
        tags = store.connection.execute("SELECT tags FROM duckdb_databases() WHERE NOT internal").fetchall()

    assert tags[0][0]["storage_version"].startswith(STORAGE_VERSION)
    assert [entry.name for entry in path.parent.iterdir()] == ["it's.duckdb"]


def test_no_table_has_foreign_keys(tmp_path: Path) -> None:
    """A foreign key would forbid later changes of the table."""
    with Store(tmp_path / "s.duckdb") as store:
        kinds = store.connection.execute("SELECT DISTINCT constraint_type FROM duckdb_constraints()").fetchall()

    assert ("FOREIGN KEY",) not in kinds
    assert ("CHECK",) in kinds


def test_every_column_of_every_view_is_explained(tmp_path: Path) -> None:
    with Store(tmp_path / "s.duckdb") as store:
        bare = store.connection.execute(
            "SELECT table_name, column_name FROM duckdb_columns() "
            "WHERE (table_name = 'reading' OR table_name LIKE 'v\\_%' ESCAPE '\\') "
            "AND (comment IS NULL OR comment = '')"
        ).fetchall()
        views = store.connection.execute(
            "SELECT view_name FROM duckdb_views() WHERE NOT internal ORDER BY view_name"
        ).fetchall()

    assert bare == []
    assert [name for (name,) in views] == [
        "answer", "counted_reading", "reading", "sample_name", "v_correction", "v_finding", "v_latest", "v_reading",
        "v_region", "v_sample", "v_trend",
    ]  # fmt: skip


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(KettlestoneError, match="this is a folder") as caught, Store(tmp_path):
        pass

    _in_words(caught.value)


@pytest.mark.parametrize("content", [b"", b"label;GH\nA;7\n", b"PK\x03\x04" + bytes(9000)])
def test_another_kind_of_file_is_refused_and_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "s.duckdb"
    path.write_bytes(content)

    with pytest.raises(KettlestoneError, match="not a store of ours") as caught, Store(path):
        pass

    _in_words(caught.value)
    assert path.read_bytes() == content


def test_the_database_of_another_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE invoice(number INTEGER)")

    with pytest.raises(KettlestoneError, match="another program") as caught, Store(path):
        pass

    _in_words(caught.value)
    with duckdb.connect(str(path)) as connection:
        assert connection.execute("SELECT table_name FROM duckdb_tables()").fetchall() == [("invoice",)]


def test_reading_needs_an_existing_store(tmp_path: Path) -> None:
    with (
        pytest.raises(KettlestoneError, match="no store here yet") as caught,
        Store(tmp_path / "s.duckdb", read_only=True),
    ):
        pass

    _in_words(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_a_store_that_is_gone_is_told_from_one_that_never_was(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    kept = tmp_path / "archive" / "02" / "02ab"
    kept.parent.mkdir(parents=True)
    kept.write_bytes(b"GH\n7\n")

    with (
        pytest.raises(KettlestoneError, match="the store is gone, but its archive is there, with 1 file") as caught,
        Store(path, read_only=True),
    ):
        pass

    _in_words(caught.value)


@pytest.mark.parametrize(("refused", "words"), [("file", "may not be written"), ("folder", "in its folder")])
def test_missing_permission_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refused: str, words: str) -> None:
    """The question to the system is replaced: the superuser, who may run this, is refused nothing."""
    path = tmp_path / "s.duckdb"
    with Store(path):
        pass
    wanted = path if refused == "file" else tmp_path
    monkeypatch.setattr(os, "access", lambda place, mode: not (place == wanted and mode & os.W_OK))

    with pytest.raises(KettlestoneError, match=words) as caught, Store(path):
        pass

    _in_words(caught.value)
    with Store(path, read_only=True):
        pass


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")

    with (
        pytest.raises(KettlestoneError, match="folder cannot be made") as caught,
        Store(tmp_path / "file" / "s.duckdb"),
    ):
        pass

    _in_words(caught.value)


_HOLD = """
import sys, time
from pipeline.store.database import Store
with Store(sys.argv[1]):
    print("open", flush=True)
    time.sleep(float(sys.argv[2]))
"""


def _holder(path: Path, seconds: float) -> subprocess.Popen[str]:
    process = subprocess.Popen(  # noqa: S603 - own code
        [sys.executable, "-c", _HOLD, str(path), str(seconds)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "open\n"
    return process


def test_a_store_in_use_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with _holder(path, 0.6) as process:
        with Store(path, wait_s=20) as store:
            assert store.connection.execute("SELECT count(*) FROM batch").fetchone() == (0,)
        process.wait()


@pytest.mark.parametrize("read_only", [False, True])
def test_after_waiting_the_holder_is_named(tmp_path: Path, read_only: bool) -> None:
    path = tmp_path / "s.duckdb"
    with _holder(path, 30) as process:
        with (
            pytest.raises(StoreLockedError, match=f"process {process.pid}") as caught,
            Store(path, read_only=read_only, wait_s=0.1),
        ):
            pass
        process.kill()

    _in_words(caught.value)
    assert "snapshot" in str(caught.value)


def test_an_engine_started_ahead_opens_the_store(tmp_path: Path) -> None:
    """The store is made, but not held, until it is opened."""
    path = tmp_path / "s.duckdb"
    engine = start(path, threads=1, memory_limit="100MB")
    with Store(path) as other:
        assert other.connection.execute("SELECT count(*) FROM batch").fetchone() == (0,)

    with Store(path, engine=engine) as store:
        assert store.connection is engine
        assert store.connection.execute("SELECT count(*) FROM batch").fetchone() == (0,)


def test_what_is_in_the_way_of_an_engine_is_told_when_the_store_is_opened(tmp_path: Path) -> None:
    engine = start(tmp_path, threads=1, memory_limit="100MB")

    with pytest.raises(KettlestoneError, match="folder"), Store(tmp_path, engine=engine):
        pass


def test_a_store_that_could_not_be_made_ahead_is_made_when_it_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s.duckdb"
    with monkeypatch.context() as patch:
        patch.setattr(migrate, "bring_up_to_date", _no_room)
        engine = start(path, threads=1, memory_limit="100MB")
    assert not path.exists()

    with Store(path, engine=engine) as store:
        assert store.connection.execute("SELECT count(*) FROM batch").fetchone() == (0,)


def _no_room(*_: object, **__: object) -> None:
    raise OSError(28, "No space left on device")


def test_no_question_draws_a_bar_into_the_answer(tmp_path: Path) -> None:
    with Store(tmp_path / "k.duckdb") as store:
        bar = store.connection.execute("SELECT current_setting('enable_progress_bar')").fetchall()

    assert bar == [(False,)]


def test_a_closed_store_gives_no_connection(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="with block"):
        _ = Store(tmp_path / "s.duckdb").connection


def test_an_interrupted_transaction_leaves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with Store(path) as store:
        interrupted = pytest.raises(KeyboardInterrupt)
        with interrupted, store.transaction() as connection:
            connection.execute("INSERT INTO check_run VALUES ('b', 'blank', 1, 0, 0)")
            raise KeyboardInterrupt
        assert store.connection.execute("SELECT count(*) FROM check_run").fetchone() == (0,)


# --- migrations


def _next_step(sql: str) -> Migration:
    last = migrate.migrations()[-1].version
    return Migration(last + 1, f"{last + 1:04}_trial", sql)


def _with_steps(monkeypatch: pytest.MonkeyPatch, *steps: Migration) -> None:
    monkeypatch.setattr(migrate, "migrations", lambda: steps)


def test_a_migration_is_applied_once_with_a_backup_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.duckdb"
    with Store(path):
        pass
    known = migrate.migrations()
    step = _next_step("CREATE TABLE trial(number INTEGER)")
    _with_steps(monkeypatch, *known, step)

    for _ in range(2):
        with Store(path) as store:
            assert _columns(store, "trial") == ["number"]

    backups = list(tmp_path.glob("s.duckdb.before-*"))
    assert len(backups) == 1
    _with_steps(monkeypatch, *known)
    shutil.copy(backups[0], tmp_path / "restored.duckdb")
    with Store(tmp_path / "restored.duckdb") as store:
        assert _columns(store, "trial") == []
        assert store.connection.execute("SELECT count(*) FROM v_sample").fetchone() == (0,)


def test_a_failing_migration_is_taken_back_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.duckdb"
    with Store(path):
        pass
    known = migrate.migrations()
    _with_steps(monkeypatch, *known, _next_step("CREATE TABLE trial(number INTEGER); DROP TABLE nothing_there"))

    with pytest.raises(KettlestoneError, match="trial failed") as caught, Store(path):
        pass

    _in_words(caught.value)
    _with_steps(monkeypatch, *known)
    with Store(path) as store:
        assert _columns(store, "trial") == []


def test_a_newer_store_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.duckdb"
    known = migrate.migrations()
    _with_steps(monkeypatch, *known, _next_step("CREATE TABLE trial(number INTEGER)"))
    with Store(path):
        pass
    _with_steps(monkeypatch, *known)

    with pytest.raises(KettlestoneError, match="knows versions up to") as caught, Store(path):
        pass

    _in_words(caught.value)


def test_an_edited_migration_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.duckdb"
    with Store(path):
        pass
    first, *others = migrate.migrations()
    _with_steps(monkeypatch, Migration(first.version, first.name, first.sql + "\n-- edited"), *others)

    with pytest.raises(KettlestoneError, match="another text of migration") as caught, Store(path):
        pass

    _in_words(caught.value)


def test_an_older_store_is_not_read_before_it_is_brought_up_to_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s.duckdb"
    with Store(path):
        pass
    _with_steps(monkeypatch, *migrate.migrations(), _next_step("CREATE TABLE trial(number INTEGER)"))

    with pytest.raises(KettlestoneError, match="brings the store up") as caught, Store(path, read_only=True):
        pass

    _in_words(caught.value)


def test_changed_views_are_defined_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.duckdb"
    with Store(path):
        pass
    scripts = migrate.scripts
    extra = {"9_v_trial.sql": "CREATE OR REPLACE VIEW v_trial AS SELECT 42 AS number"}
    monkeypatch.setattr(migrate, "scripts", lambda folder: scripts(folder) | (extra if folder == "views" else {}))

    with Store(path) as store:
        assert store.connection.execute("FROM v_trial").fetchone() == (42,)


def test_a_store_with_older_views_is_read_by_the_views_of_the_program(tmp_path: Path) -> None:
    """Nothing is written: the views stand beside the store, and a later writer puts them in their place."""
    path = tmp_path / "s.duckdb"
    with Store(path) as store:
        store.connection.execute("DROP VIEW v_latest")
        store.connection.execute("INSERT INTO view_version VALUES ('older', TIMESTAMP '2999-01-01')")
    before = path.read_bytes()

    with Store(path, read_only=True) as store:
        assert store.connection.execute("SELECT count(*) FROM v_latest").fetchall() == [(0,)]
        assert store.connection.execute("SELECT count(*) FROM v_sample").fetchall() == [(0,)]

    assert path.read_bytes() == before
