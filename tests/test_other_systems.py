"""The main job needs nothing that only POSIX systems have."""

from __future__ import annotations

import builtins
import ctypes
import os
import re
import shutil
import time
from typing import TYPE_CHECKING, Any, NoReturn

import pytest
from click.testing import CliRunner

from pipeline import leftovers
from pipeline.cli import main
from pipeline.memory import keep_freed
from pipeline.report.batch import folder

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

READINGS = "Sample,Site,Date,pH,Calcium (mg/L)\nA,N,2026-03-05,7.4,64\n"
ONLY_POSIX = ("fork", "link", "geteuid", "getuid", "getpgid", "killpg", "mkfifo", "kill", "fchmod", "fchown")
FORBIDDEN_IN_NAMES = re.compile(r'[<>:"|?*\\]')  # of files, on Windows


def no_library(*_: object, **__: object) -> NoReturn:
    """Refuse the process itself as a library, as Windows does."""
    raise TypeError("expected a library name, not None")


def imports_without(real: Callable[..., Any], missing: set[str]) -> Callable[..., Any]:
    """Import everything but some modules."""

    def imported(name: str, *rest: Any, **more: Any) -> Any:  # noqa: ANN401 - as the built-in
        if name in missing:
            raise ModuleNotFoundError(name)
        return real(name, *rest, **more)

    return imported


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:  # noqa: ARG001 - made while pytest has its user
    """Take away what Windows does not have, and refuse what it refuses."""
    open_file, rename = os.open, os.rename

    def opened(path: Any, *rest: Any, **more: Any) -> int:  # noqa: ANN401 - as the system's
        if os.path.isdir(path):  # noqa: PTH112 - also file numbers
            raise PermissionError(13, "Permission denied", str(path))
        return open_file(path, *rest, **more)

    def renamed(old: Any, new: Any, **more: Any) -> None:  # noqa: ANN401 - as the system's
        if os.path.exists(new):  # noqa: PTH110 - also file numbers
            raise FileExistsError(17, "File exists", str(new))
        rename(old, new, **more)

    for name in ONLY_POSIX:
        monkeypatch.delattr(os, name, raising=False)
    monkeypatch.setattr(os, "open", opened)
    monkeypatch.setattr(os, "rename", renamed)
    monkeypatch.setattr(shutil, "_use_fd_functions", False)
    monkeypatch.setattr(leftovers, "_SIGNALS", False)
    monkeypatch.setattr(ctypes, "CDLL", no_library)
    without = imports_without(builtins.__import__, {"fcntl", "resource", "pwd", "grp", "termios"})
    monkeypatch.setattr(builtins, "__import__", without)


@pytest.mark.usefixtures("bare")
def test_the_main_job_runs_without_what_only_posix_has(tmp_path: Path) -> None:
    """Twice, so that a store and an archive are there already; every name is one that Windows allows."""
    first, second, out = tmp_path / "march.csv", tmp_path / "april.csv", tmp_path / "out"
    first.write_text(READINGS, encoding="utf-8")
    second.write_text(READINGS.replace("2026-03", "2026-04"), encoding="utf-8")

    for file in (first, second):
        result = CliRunner().invoke(main, ["intake", str(file), "--out", str(out)], catch_exceptions=False)

        assert result.exit_code in (0, 1)
        assert "2 entries read = 2 accepted" in result.stdout
    assert len(list(out.glob("*/summary.html"))) == 2
    assert not [file for file in out.rglob("*") if FORBIDDEN_IN_NAMES.search(file.name)]


@pytest.mark.usefixtures("bare")
def test_the_memory_is_left_as_it_is_where_the_process_is_no_library() -> None:
    keep_freed()


@pytest.mark.usefixtures("bare")
def test_what_a_killed_run_left_is_removed_after_a_day_where_processes_cannot_be_asked(tmp_path: Path) -> None:
    old, fresh = tmp_path / ".writing-1-old", tmp_path / ".writing-1-fresh"
    for left in (old, fresh):
        left.mkdir()
    two_days_ago = time.time() - 2 * 86_400
    os.utime(old, (two_days_ago, two_days_ago))

    with folder.folder_for("20260305T000000-abcd", tmp_path):
        assert [left.exists() for left in (old, fresh)] == [False, True]
