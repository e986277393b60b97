"""File names that are not text: read, stored and shown like any other file."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.file_names import legible

SHEET = "Sample,Date,pH,Calcium (mg/L)\nA,2026-03-05,7.4,64\nB,2026-03-05,7.2,many\n"
COMMAND = (sys.executable, "-c", "from pipeline.cli import main; main()")
_ESCAPE = re.compile(rb"\\x([0-9a-f]{2})")

on_posix = pytest.mark.skipif(os.name != "posix", reason="only there may a name hold any byte")


def named(text: str) -> bytes:
    """Give the bytes of the name that a legible text stands for."""
    return _ESCAPE.sub(lambda found: bytes([int(found.group(1), 16)]), text.encode())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make a folder with three sheets, two names in Latin-1 and one that looks like an escaped name, and a text."""
    folder = tmp_path / "in"
    folder.mkdir()
    for number, name in enumerate((b"kit_\xe4.csv", b"k\xfcche \\xe4.csv", b"kit_\\xe4.csv")):
        try:
            sheet = SHEET.replace("2026", str(2020 + number))
            Path(os.fsdecode(os.fsencode(folder) + b"/" + name)).write_text(sheet, encoding="utf-8")
        except OSError:
            pytest.skip("this file system takes no such name")
    Path(os.fsdecode(os.fsencode(folder) + b"/gr\xfc\xdfe.d\xf6c")).write_text("Viele Grüße", encoding="utf-8")
    return folder


@on_posix
def test_a_name_that_is_no_text_is_read_stored_and_shown(tmp_path: Path, folder: Path) -> None:
    """The same legible name in terminal, page, table, JSON and store; it leads back to the file."""
    out = tmp_path / "out"
    names = [str(folder / name) for name in ("k\\xfcche \\x5cxe4.csv", "kit_\\x5cxe4.csv", "kit_\\xe4.csv")]

    run = subprocess.run(  # noqa: S603 - our own command
        [*COMMAND, "intake", str(folder), "--out", str(out), "--json"], capture_output=True, check=False
    )
    shown = subprocess.run(  # noqa: S603
        [*COMMAND, "intake", os.fsencode(folder) + b"/kit_\xe4.csv", "--out", str(tmp_path / "again")],
        capture_output=True,
        check=False,
        env={**os.environ, "COLUMNS": "400"},
    )

    assert run.returncode in (0, 1), run.stderr.decode()
    files = json.loads(run.stdout.decode())["files"]
    assert sorted(file["name"] for file in files if file["status"] == "read") == names
    assert [file["name"] for file in files if file["status"] != "read"] == [str(folder / "gr\\xfc\\xdfe.d\\xf6c")]
    assert all(Path(os.fsdecode(named(name))).is_file() for name in names)
    (batch,) = out.glob("2*")
    assert all(name in (batch / "set_aside.csv").read_text(encoding="utf-8-sig") for name in names)
    assert all(name in (batch / "summary.html").read_text(encoding="utf-8") for name in names)
    with duckdb.connect(str(out / "kettlestone.duckdb"), read_only=True) as store:
        assert store.sql("SELECT name FROM source_file WHERE lines > 0 ORDER BY name").fetchall() == [
            (name,) for name in names
        ]
        assert store.sql("SELECT count(*) FROM reading").fetchall() == [(9,)]
    assert shown.returncode in (0, 1), shown.stderr.decode()
    assert "kit_\\xe4.csv:3" in shown.stdout.decode()


@on_posix
def test_a_layout_is_proposed_for_a_name_that_is_no_text(folder: Path) -> None:
    path = os.fsdecode(os.fsencode(folder) + b"/kit_\xe4.csv")

    for how in ("check", "propose"):
        run = CliRunner().invoke(main, ["layout", how, path])
        assert run.exit_code == 0, run.stderr
        assert "kit_\\xe4.csv" in run.stdout


@on_posix
def test_a_missing_file_is_told_by_its_legible_name(tmp_path: Path) -> None:
    run = CliRunner().invoke(main, ["intake", os.fsdecode(b"gone_\xe4.csv"), "--out", str(tmp_path)])

    assert run.exit_code == 2
    assert "gone_\\xe4.csv: there is no such file" in run.stderr


@on_posix
@given(st.binary(min_size=1, max_size=12).filter(lambda name: b"\0" not in name))
def test_every_legible_name_leads_back_to_its_file(name: bytes) -> None:
    text = legible(os.fsdecode(name))

    assert named(text) == name
    assert not any(ord(sign) < ord(" ") for sign in text)


@pytest.mark.parametrize("name", ["kit.csv", "küche/März 2026.csv", "水质.csv", "a\\b.csv"])
def test_a_name_that_is_text_stays_as_it_is(name: str) -> None:
    assert legible(name) == name
