"""Whatever operation on files fails, store, folder, archive and journal agree, or the next command makes them agree.

The short run takes a few operations of each command. The long one takes every one of them, in every way:

    KETTLESTONE_EVERY_FAULT=1 pytest -q -n 0 tests/faults
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

EVERY = bool(os.environ.get("KETTLESTONE_EVERY_FAULT"))
HERE = Path(__file__).parent
COMPILER = shutil.which("cc") or shutil.which("gcc")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(COMPILER is None or not sys.platform.startswith("linux"), reason="needs Linux and a C compiler"),
    pytest.mark.timeout(7200 if EVERY else 600),
]


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Compile what lets operations fail."""
    made = tmp_path_factory.mktemp("library") / "failing.so"
    command = [str(COMPILER), "-shared", "-fPIC", "-O1", "-o", str(made), str(HERE / "failing.c"), "-ldl"]
    subprocess.run(command, check=True)  # noqa: S603 - own code
    return made


def reports(library: Path, folder: Path, most: int, commands: str, ways: str) -> list[dict[str, Any]]:
    """Let operations fail and give what was left of each."""
    command = [sys.executable, str(HERE / "nursery.py"), str(folder), str(most), commands, ways]
    told = subprocess.run(  # noqa: S603 - own code
        command, env={**os.environ, "LD_PRELOAD": str(library)}, stdout=subprocess.PIPE, check=True, text=True
    )
    return [json.loads(line) for line in told.stdout.splitlines() if line.startswith("{")]


@pytest.mark.parametrize(
    ("commands", "ways"),
    [("new,intake,decide,register", "dies,torn,EIO,ENOSPC")]
    if EVERY
    else [("intake", "torn"), ("new,decide,register", "dies,ENOSPC")],
)
def test_after_any_failure_everything_agrees(library: Path, tmp_path: Path, commands: str, ways: str) -> None:
    found = reports(library, tmp_path, 0 if EVERY else 2 if ways == "torn" else 4, commands, ways)

    assert {one["command"] for one in found} == set(commands.split(","))
    assert any(one["code"] not in (0, 1) for one in found)
    assert [one for one in found if one["wrong"] or one["code"] == 3] == []
