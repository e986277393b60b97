"""One warm process that runs commands in children, each with one failing operation on files, and proves what is left.

It is run as a program, with ``failing.c`` loaded before the C library:

    python nursery.py FOLDER COMMANDS HOW... MOST

and prints one line of JSON for every failure that was tried.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import sys
from pathlib import Path
from typing import Final

import duckdb
from click.testing import CliRunner

import pipeline.batch
import pipeline.commands.decide
import pipeline.commands.doctor
import pipeline.commands.intake
import pipeline.commands.restore
import pipeline.commands.site  # noqa: F401 - imported once, before any child
from pipeline.cli import main

HEADINGS = "Sample,Client,Site,Date,pH,Calcium (mg/L),Magnesium (mg/L),Chloride (mg/L)"
WAYS: Final = {"dies": -1, "torn": -2, "EIO": errno.EIO, "ENOSPC": errno.ENOSPC}
CANNOT: Final = 2
_LIBRARY: Final = ctypes.CDLL(None)


def prepared(folder: Path) -> dict[str, list[str]]:
    """Make a store with one batch in ``folder/before``, and give the commands that change it."""
    before = folder / "before"
    for name, rows in {
        "first.csv": "A-1,C,X,2026-03-01,74,62,11,25\n",
        "second.csv": "B-1,C,X,2026-04-01,7.4,63,12,26\n",
    }.items():
        (folder / name).write_text(f"{HEADINGS}\n{rows}", encoding="utf-8")
    run(["intake", str(folder / "first.csv"), "--out", str(before)])
    out = str(folder / "out")
    store = f"{out}/kettlestone.duckdb"
    return {
        "new": ["intake", str(folder / "second.csv"), "--out", out],
        "intake": ["intake", str(folder / "second.csv"), "--out", out],
        "decide": ["decide", "1", "reject", "--by", "A", "--why", "seen", "--store", store],
        "register": ["site", "set", "X", "--supply", "well", "--by", "A", "--why", "seen", "--store", store],
    }


def run(words: list[str]) -> tuple[int, str]:
    """Run a command in this process; a fault of the program is its code 3."""
    result = CliRunner().invoke(main, words)
    return result.exit_code, result.output


def child(words: list[str], nth: int, way: str, folder: Path) -> tuple[int, int]:
    """Run a command in a child in which the nth operation fails; gives its code and how many operations it came to."""
    reads, writes = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reads)
        _LIBRARY.arm(ctypes.c_long(nth), ctypes.c_int(WAYS[way]), str(folder / "out").encode())
        code, _ = run(words)
        counted = _LIBRARY.counted()
        _LIBRARY.arm(0, 0, b"")
        os.write(writes, json.dumps([code, counted]).encode())
        os._exit(0)
    os.close(writes)
    with os.fdopen(reads, "rb") as pipe:
        told = pipe.read()
    os.waitpid(pid, 0)
    return tuple(json.loads(told)) if told else (77, 0)


def faults_left(words: list[str], out: Path) -> list[str]:
    """Run the command again, without a failure, and list what does not agree then."""
    if damaged := not_mended(out):
        return damaged
    code, said = run(words)
    repeated = words[0] != "intake"  # what was answered or entered already is refused
    wrong = [] if code in (0, 1) or (repeated and code == 2) else [f"again: {code} {said}"]
    store = out / "kettlestone.duckdb"
    code, said = run(["doctor", "--store", str(store)])
    if code not in (0, 1):
        wrong.append(f"doctor: {code} {said}")
    with duckdb.connect(str(store), read_only=True) as opened:
        stored = {row[0] for row in opened.execute("SELECT DISTINCT batch_id FROM source_file").fetchall()}
        batches = {row[0] for row in opened.execute("SELECT batch_id FROM batch").fetchall()}
        files = opened.execute("SELECT file_sha256, count(*) FROM source_file GROUP BY 1").fetchall()
        numbers = [row[0] for row in opened.execute("SELECT number FROM journal_entry ORDER BY 1").fetchall()]
    shown = {path.parent.name for path in out.glob("2*/summary.json")}
    if not stored <= shown <= batches:
        wrong.append(f"folders {sorted(shown)}, batches {sorted(stored)}")
    wrong += [f"{sha256} is stored {count} times" for sha256, count in files if count != 1]
    wrong += [
        f"{sha256} is not archived" for sha256, _ in files if not (out / "archive" / sha256[:2] / sha256).is_file()
    ]
    lines = [json.loads(line) for line in journal(out) if line and not line.endswith(b"#unfinished")]
    last = {line[how]: how for line in lines for how in ("stored", "taken_back") if how in line}
    if numbers != sorted(number for number, how in last.items() if how == "stored"):
        wrong.append(f"journal {last}, store {numbers}")
    return wrong


def not_mended(out: Path) -> list[str]:
    """Make a store anew whose own block was torn: that no program can mend, but it is told, with the way out."""
    store = out / "kettlestone.duckdb"
    try:
        with duckdb.connect(str(store), read_only=True):
            return []
    except duckdb.Error:
        code, said = run(["doctor", "--store", str(store)])
    if not store.exists():
        return []  # it was not made yet
    if code != CANNOT or "kettlestone restore --from" not in said:
        return [f"of the damage: {code} {said}"]
    for left in out.glob("kettlestone.duckdb*"):
        left.unlink()
    code, said = run(["restore", "--from", str(out / "archive"), str(store)])
    return [] if code == 0 else [f"restore: {code} {said}"]


def journal(out: Path) -> list[bytes]:
    return (out / "archive" / "kettlestone.duckdb.journal").read_bytes().split(b"\n")


def tried(folder: Path, name: str, words: list[str], way: str, most: int) -> None:
    """Let every operation of a command fail in turn, or so many of them, evenly spread."""
    fresh(folder, name)
    _, total = child(words, 0, way, folder)
    step = max(total // most, 1) if most else 1
    for nth in range(1, total + 1, step):
        fresh(folder, name)
        code, _ = child(words, nth, way, folder)
        report = {"command": name, "way": way, "operation": nth, "of": total, "code": code}
        print(json.dumps({**report, "wrong": faults_left(words, folder / "out")}), flush=True)  # noqa: T201 - a program


def fresh(folder: Path, name: str) -> None:
    """Begin from the store with one batch, or from nothing."""
    shutil.rmtree(folder / "out", ignore_errors=True)
    if name != "new":
        shutil.copytree(folder / "before", folder / "out")


if __name__ == "__main__":
    _folder, _most = Path(sys.argv[1]), int(sys.argv[2])
    _commands = prepared(_folder)
    for _name in sys.argv[3].split(","):
        for _way in sys.argv[4].split(","):
            tried(_folder, _name, _commands[_name], _way, _most)
