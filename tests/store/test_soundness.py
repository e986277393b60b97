"""Whether a store is sound, and what is said of one that is not."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.store.archive import place
from pipeline.store.database import Store

if TYPE_CHECKING:
    from click.testing import Result

HEADINGS = "Sample,Site,pH,Calcium (mg/L),Magnesium (mg/L),Chloride (mg/L)\n"
ROWS = "".join(f"A-{n},X-{n % 7},7.{n % 9},{60 + n},{11 + n},{20 + n}\n" for n in range(400))


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Import one file; the tests take copies of the folder."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / "table.csv").write_text(HEADINGS + ROWS, encoding="utf-8")
    answer = CliRunner().invoke(main, ["intake", str(folder / "table.csv"), "--out", str(folder / "out")])
    assert answer.exit_code in (0, 1), answer.output
    return folder / "out"


@pytest.fixture
def store(kept: Path, tmp_path: Path) -> Path:
    """Give a copy of the store, with its archive."""
    return Path(shutil.copytree(kept, tmp_path / "out")) / "kettlestone.duckdb"


def doctor(store: Path, *options: str) -> Result:
    return CliRunner().invoke(main, ["doctor", "--store", str(store), *options])


def test_a_sound_store_is_said_to_be_sound_and_not_touched(store: Path) -> None:
    before = store.read_bytes()

    answer = doctor(store, "--archive", "--json")

    assert answer.exit_code == 0
    assert {one["state"] for one in json.loads(answer.output)} == {"sound"}
    assert store.read_bytes() == before
    assert "The store is sound." in doctor(store).output


def test_a_block_that_was_changed_is_found_and_the_way_out_told(store: Path) -> None:
    """Of every block that holds data one byte is turned over in turn: none is passed over in silence."""
    good = store.read_bytes()
    with Store(store, read_only=True) as opened:
        opened.connection.execute(
            "CREATE TEMP TABLE used AS SELECT DISTINCT block_id FROM pragma_storage_info('reading_value')"
        )
        blocks = [
            row[0] for row in opened.connection.execute("SELECT block_id FROM used WHERE block_id >= 0").fetchall()
        ]
        [(size,)] = opened.connection.execute(
            "SELECT block_size FROM pragma_database_size() WHERE database_name = 'store'"
        ).fetchall()
    assert blocks

    for block in blocks:
        damaged = bytearray(good)
        damaged[3 * 4096 + block * size + 16] ^= 0xFF
        store.write_bytes(damaged)
        answer = doctor(store)
        assert answer.exit_code == 2, block
        assert "UNSOUND" in answer.output
        assert "import what came later again" in answer.output


def test_a_damaged_store_is_no_fault_of_the_question(store: Path) -> None:
    store.write_bytes(store.read_bytes()[: store.stat().st_size // 2])

    asked = CliRunner().invoke(main, ["query", "SELECT sum(value) FROM v_reading", "--store", str(store)])

    assert asked.exit_code == 2
    assert "the store is damaged" in asked.stderr
    assert "kettlestone doctor" in asked.stderr
    assert doctor(store).exit_code == 2


def test_changes_of_another_store_are_told_and_kept(store: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.duckdb"
    with duckdb.connect(str(other)) as connection:
        connection.execute("SET wal_autocheckpoint = '1GB'")
        connection.execute("CREATE TABLE strange AS SELECT 1")
        shutil.copy(tmp_path / "other.duckdb.wal", f"{store}.wal")

    answer = doctor(store)

    assert answer.exit_code == 2
    assert "belong to another store" in answer.stderr
    assert Path(f"{store}.wal").exists()


@pytest.mark.parametrize("how", ["missing", "shorter", "changed"])
def test_a_file_of_the_archive_that_is_not_as_it_came_is_named(store: Path, how: str) -> None:
    with Store(store, read_only=True) as opened:
        [(sha256,)] = opened.connection.execute("SELECT file_sha256 FROM source_file").fetchall()
    file = place(store, sha256)
    file.chmod(0o644)
    if how == "missing":
        file.unlink()
    elif how == "shorter":
        file.write_bytes(file.read_bytes()[:-1])
    else:
        file.write_bytes(file.read_bytes()[:-2] + b"#\n")

    answer = doctor(store, "--archive")

    assert answer.exit_code == 2
    assert "table.csv" in answer.output
    assert "Import them again" in answer.output


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("DELETE FROM reading_value WHERE reading_id = 1", "1 readings more or fewer than the batches accepted"),
        ("DELETE FROM sample WHERE label = 'A-3'", "4 readings of a sample that is not there"),
        ("INSERT INTO sample FROM sample LIMIT 1", "1 samples that are there twice"),
        ("DELETE FROM batch", "1 files of a batch that is not there"),
    ],
)
def test_books_that_do_not_balance_are_told(store: Path, change: str, words: str) -> None:
    with duckdb.connect(str(store)) as connection:
        connection.execute(change)

    answer = doctor(store)

    assert answer.exit_code == 2
    assert words in answer.output


def test_what_a_killed_run_left_is_removed_and_told(store: Path) -> None:
    left = store.parent / "archive" / ".part-1234"
    left.write_bytes(b"half")

    answer = doctor(store)

    assert answer.exit_code == 1
    assert "mended" in answer.output
    assert not left.exists()


def test_a_store_that_is_gone_is_told_with_what_is_still_there(store: Path) -> None:
    store.unlink()

    answer = doctor(store)

    assert answer.exit_code == 2
    assert "the store is gone, but its archive is there, with 1 file" in answer.stderr
