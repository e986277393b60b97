"""Print the Pythons of this machine that the project promises to run on, the oldest first, each minor version once."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

OLDEST = (3, 11)
_ASKS = "import sys, ensurepip, venv; print(sys.implementation.name, *sys.version_info[:2])"


def candidates(path: str, home: Path) -> Iterator[Path]:
    """Give what looks like a Python: in the folders of ``path``, then among the versions of pyenv and uv."""
    for folder in path.split(os.pathsep):
        yield from sorted(Path(folder).glob("python3.[0-9]*[0-9]"))
    for versions in (home / ".pyenv" / "versions", home / ".local" / "share" / "uv" / "python"):
        yield from sorted(versions.glob("*/bin/python3"))


def answer(python: Path) -> str:
    """Ask a Python what it is; "" if it does not run (a shim of another version) or cannot make environments."""
    try:
        asked = subprocess.run([python, "-c", _ASKS], capture_output=True, text=True, check=True, timeout=30)  # noqa: S603 - a Python of this machine
    except (OSError, subprocess.SubprocessError):
        return ""
    return asked.stdout.strip()


def usable(pythons: Iterable[Path]) -> dict[tuple[int, int], Path]:
    """Keep the first CPython of every minor version from ``OLDEST`` on, sorted by version."""
    found: dict[tuple[int, int], Path] = {}
    for python in pythons:
        kind, *numbers = answer(python).split() or ("",)
        if kind == "cpython" and (version := (int(numbers[0]), int(numbers[1]))) >= OLDEST:
            found.setdefault(version, python)
    return dict(sorted(found.items()))


if __name__ == "__main__":
    for python in usable(candidates(os.environ["PATH"], Path.home())).values():
        sys.stdout.write(f"{python}\n")
