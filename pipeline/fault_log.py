"""Faults of the program that are caught and kept apart: what failed, in words, and a log with the traceback."""

from __future__ import annotations

import platform
import shlex
import sys
import tempfile
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipeline import __version__

if TYPE_CHECKING:
    from datetime import datetime

_MOST_WORDS: Final = 110  # of an error in a message; all of it stands in the log
_OURS: Final = ("pipeline", "schemas")


@dataclass(frozen=True)
class Fault:
    """Something of a run that failed by a fault of the program, while all else went on.

    Attributes
    ----------
    subject : what it was: a file, a check, a page.
    error : what was raised.
    """

    subject: str
    error: Exception

    @property
    def words(self) -> str:
        """Say in one line what failed and where."""
        return f"a fault of the program, {fault_words(self.error)}"


def fault_words(error: BaseException) -> str:
    """Name an error and the innermost line of ours in one line."""
    said = " ".join(str(error).split())
    said = said if len(said) <= _MOST_WORDS else f"{said[:_MOST_WORDS]}…"
    return f"{type(error).__name__}{': ' + said if said else ''} ({_place(error)})"


def _place(error: BaseException) -> str:
    """Name the innermost line of ours."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if set(_OURS) & set(Path(frame.filename).parts)] or frames
    if not own:
        return "no line known"
    folders = Path(own[-1].filename).parts
    starts = [place for place, folder in enumerate(folders) if folder in _OURS]
    return f"{'/'.join(folders[starts[-1] :] if starts else folders[-1:])}:{own[-1].lineno}"


@dataclass(frozen=True)
class FaultLog:
    """The log of one run: made with its first fault, in the folder of results or, where that fails, a temporary one.

    Attributes
    ----------
    folder : of the results.
    started : when the run began, UTC; names the log.
    settings : of the run, in words.
    """

    folder: Path
    started: datetime
    settings: str = ""

    @property
    def name(self) -> str:
        """Name the file."""
        return f"fault-{self.started:%Y%m%dT%H%M%S.%f}.log"

    def add(self, subject: str, error: BaseException) -> Path | None:
        """Append a fault with its traceback; gives the file, or None where none can be written."""
        text = f"\n== {subject}\n\n{''.join(traceback.format_exception(error))}"
        for folder in (self.folder, Path(tempfile.gettempdir())):
            path = folder / self.name
            try:
                folder.mkdir(parents=True, exist_ok=True)
                head = "" if path.exists() else self._head()
                with path.open("a", encoding="utf-8", errors="backslashreplace") as file:
                    file.write(head + text)
            except OSError:
                continue
            return path
        return None

    def written(self) -> Path | None:
        """Give the file where one was written."""
        places = (self.folder / self.name, Path(tempfile.gettempdir()) / self.name)
        return next((path for path in places if path.exists()), None)

    def _head(self) -> str:
        return "\n".join(
            [
                f"kettlestone {__version__}, Python {platform.python_version()}, {platform.platform()}",
                f"began {self.started:%Y-%m-%dT%H:%M:%SZ}",
                f"command: {shlex.join(sys.argv)}",
                f"settings: {self.settings}",
                "",
            ]
        )
