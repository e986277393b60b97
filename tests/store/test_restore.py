"""A store made anew from archive and journal is the one that was, and a store that lost something says so."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.store.database import Store
from pipeline.store.equality import differences
from pipeline.store.journal import Journal

if TYPE_CHECKING:
    from click.testing import Result

pytestmark = pytest.mark.slow  # a month is taken in, and made anew, several times
HEADINGS = "Sample,Client,Site,Date,pH,Calcium (mg/L),Magnesium (mg/L),Chloride (mg/L),Conductivity (µS/cm)"
MARCH = f"{HEADINGS}\nA-1,C,X,2026-03-01,7.4,62,11,25,480\nA-2,C,X,2026-03-09,7.5,60,12,24,4.7\n"
MARCH += "A-3,C,Y,2026-03-09,74,60,12,24,470\n"
APRIL = f"{HEADINGS}\nB-1,C,X,2026-04-01,7.4,63,11,26,481\n"
OPEN = "Sample,Site,Date,pH,Hardness\nH-1,Z,2026-03-01,7.2,9\n"


def kettlestone(*words: str | Path) -> Result:
    result = CliRunner().invoke(main, [*map(str, words)])
    assert result.exit_code in (0, 1), result.output
    return result


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the results of a month in which every kind of change was made."""
    folder = tmp_path_factory.mktemp("lived")
    out, inputs = folder / "out", folder / "märz"
    store = out / "kettlestone.duckdb"
    inputs.mkdir()
    for name, text in {"march.csv": MARCH, "april.csv": APRIL, "open.csv": OPEN, "letter.txt": "Dear client\n"}.items():
        (inputs / name).write_text(text, encoding="utf-8")
    (inputs / "cut.csv.gz").write_bytes(b"\x1f\x8b\x08\x00broken")
    (inputs / "logo.png").write_bytes(b"\x89PNG")
    kettlestone("intake", inputs / "march.csv", inputs / "letter.txt", "--out", out)
    kettlestone("intake", inputs, "--out", out)
    kettlestone("intake", inputs / "open.csv", "--unit", "hardness=°dH", "--by", "A. Smith", "--out", out)
    (number, *_) = [one["finding_id"] for one in json.loads(kettlestone("findings", "--json", "--store", store).stdout)]
    kettlestone("decide", str(number), "accept", "--by", "A. Smith", "--why", "seen", "--store", store)
    kettlestone("decide", str(number), "reopen", "--by", "B. Jones", "--why", "not sure", "--store", store)
    kettlestone(
        "decide", "--sample", "A-3", "correct", "--value", "7.4", "--by", "A", "--why", "digit", "--store", store
    )
    kettlestone("machine", "set", "X", "--machine", "dual boiler", "--by", "A", "--why", "seen", "--store", store)
    kettlestone(
        "enter", "X", "--hardness", "9", "--alkalinity", "6", "--client", "C", "--date", "2026-05-02", "--store", store
    )
    CliRunner().invoke(main, ["advise", "X", "--store", str(store)])
    shape = json.loads(kettlestone("layout", "remembered", "--json", "--store", store).stdout)[0]["shape"]
    kettlestone("layout", "forget", shape, "--by", "A", "--store", store)
    return out


@pytest.fixture
def out(lived: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(lived, tmp_path / "out"))


def same(store: Path, other: Path) -> list[str]:
    with Store(store, read_only=True) as opened:
        return differences(opened, other)


def test_every_kind_of_change_is_written_down(lived: Path) -> None:
    state = Journal.of(lived / "kettlestone.duckdb").read()

    assert {entry.change.kind for entry in state.stored} == {"intake", "decide", "register", "forget", "advice"}
    assert state.entries == state.stored
    assert not state.damaged


def test_a_store_made_anew_is_the_one_that_was(lived: Path, tmp_path: Path) -> None:
    """In an empty place, with its archive and journal; and it goes on from there."""
    target = tmp_path / "new" / "kettlestone.duckdb"

    said = kettlestone("restore", "--from", lived / "archive", target)

    assert said.exit_code == 0
    assert "made anew from" in said.stdout
    assert same(lived / "kettlestone.duckdb", target) == []
    kept = {path.name for path in (lived / "archive").glob("*/*")}
    assert {path.name for path in (target.parent / "archive").glob("*/*")} <= kept
    with Store(target, read_only=True) as store:
        names = {Path(name).name for (name,) in store.connection.execute("SELECT name FROM source_file").fetchall()}
    assert {"march.csv", "april.csv", "letter.txt", "cut.csv.gz", "logo.png"} <= names
    assert kettlestone("doctor", "--store", target).exit_code == 0
    assert kettlestone("restore", "--from", target.parent / "archive", tmp_path / "again").exit_code == 0


def test_doctor_proves_a_store_by_its_archive(out: Path) -> None:
    store = out / "kettlestone.duckdb"
    assert "it is the same, row by row" in kettlestone("doctor", "--archive", "--store", store).stdout
    with duckdb.connect(str(store)) as connection:
        connection.execute("UPDATE reading_value SET value = 6.2 WHERE reading_id = 1")

    said = CliRunner().invoke(main, ["doctor", "--archive", "--store", str(store)])

    assert said.exit_code == 2
    assert "reading_value: 1 rows only here, 1 only there" in said.output


def test_a_store_that_is_gone_is_not_begun_anew(out: Path, tmp_path: Path) -> None:
    store = out / "kettlestone.duckdb"
    shutil.move(store, tmp_path / "elsewhere.duckdb")
    (tmp_path / "new.csv").write_text(APRIL.replace("B-1", "N-1"), encoding="utf-8")

    said = CliRunner().invoke(main, ["intake", str(tmp_path / "new.csv"), "--out", str(out)])

    assert said.exit_code == 2
    assert "its archive is there" in said.stderr
    assert f"kettlestone restore --from {out / 'archive'}" in said.stderr
    assert not store.exists()
    assert kettlestone("restore", "--from", out / "archive", store).exit_code == 0
    assert same(tmp_path / "elsewhere.duckdb", store) == []
    assert kettlestone("intake", tmp_path / "new.csv", "--out", out)


@pytest.mark.parametrize("command", [("findings",), ("intake", "{new}"), ("query", "SELECT 1")])
def test_changes_that_are_lost_are_told(out: Path, tmp_path: Path, command: tuple[str, ...]) -> None:
    """The last change lay in the log of writes, and that is gone: the store itself opens as if nothing were missing."""
    store, new = out / "kettlestone.duckdb", tmp_path / "new.csv"
    before = store.read_bytes()
    new.write_text(APRIL.replace("B-1", "N-1"), encoding="utf-8")
    kettlestone("intake", new, "--out", out)
    store.write_bytes(before)
    options = ("--out", str(out)) if command[0] == "intake" else ("--store", str(store))

    said = CliRunner().invoke(main, [*(word.format(new=new) for word in command), *options])

    assert said.exit_code == 2
    assert "the store lacks its last 1 change (intake," in said.stderr
    assert "kettlestone.duckdb.wal, is missing or was cut" in said.stderr
    assert store.read_bytes() == before


def test_a_store_without_a_journal_begins_one_with_a_copy_of_itself(out: Path, tmp_path: Path) -> None:
    store, new = out / "kettlestone.duckdb", tmp_path / "new.csv"
    Journal.of(store).path.unlink()
    new.write_text(APRIL.replace("B-1", "N-1"), encoding="utf-8")
    assert "begins it anew" in kettlestone("doctor", "--store", store).stdout

    kettlestone("intake", new, "--out", out)

    kinds = [entry.change.kind for entry in Journal.of(store).read().stored]
    assert kinds == ["base", "intake"]
    kettlestone("restore", "--from", out / "archive", tmp_path / "new" / "k.duckdb")
    assert same(store, tmp_path / "new" / "k.duckdb") == []


def test_a_damaged_journal_is_told_and_used_as_far_as_it_goes(out: Path, tmp_path: Path) -> None:
    store = out / "kettlestone.duckdb"
    journal = Journal.of(store)
    lines = journal.path.read_bytes().split(b"\n")
    journal.path.write_bytes(b"\n".join([*lines[:4], b"#" + lines[4][1:], *lines[5:]]))

    assert "is damaged at line 5" in CliRunner().invoke(main, ["doctor", "--store", str(store)]).output
    said = kettlestone("restore", "--from", out / "archive", tmp_path / "new.duckdb")

    assert said.exit_code == 1
    assert "made anew from 2 changes" in said.stdout
    assert "the journal is not whole" in said.stdout
    assert kettlestone("doctor", "--store", tmp_path / "new.duckdb").exit_code == 0


def test_a_missing_file_of_the_archive_is_named(out: Path, tmp_path: Path) -> None:
    gone = next((out / "archive").glob("*/*"))
    gone.unlink()

    said = CliRunner().invoke(main, ["restore", "--from", str(out / "archive"), str(tmp_path / "new.duckdb")])

    assert said.exit_code == 2
    assert gone.name in said.stderr
    assert not (tmp_path / "new.duckdb").exists()


def test_nothing_is_overwritten(out: Path) -> None:
    store = out / "kettlestone.duckdb"
    before = store.read_bytes()

    said = CliRunner().invoke(main, ["restore", "--from", str(out / "archive"), str(store)])

    assert said.exit_code == 2
    assert "there is a file already" in said.stderr
    assert store.read_bytes() == before
