"""A folder into which files are dropped: each is taken in once it is complete, once, and moved out of the way."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from pipeline.errors import KettlestoneError
from pipeline.file_names import legible
from pipeline.ingest.reading import ACCEPTED

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.batch import Finished

DONE, FAILED = "done", "failed"
_UNREAD: Final = ("not understood", "not read")


@dataclass(frozen=True)
class Moved:
    """A file that was taken in: where it lies now, with its report beside it, and what became of it."""

    file: Path
    status: str


@dataclass
class Watched:
    """What is known of the files in a watched folder: a file is complete when it is the same at two looks.

    Attributes
    ----------
    folder : the folder; files lie in it, not below it.
    seen : size and time of each file at the last look.
    """

    folder: Path
    seen: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def complete(self) -> list[Path]:
        """Look at the folder and give the files that have not changed since the look before."""
        now = {path: state for path in sorted(self.folder.iterdir()) if (state := _state(path)) is not None}
        settled = [path for path, state in now.items() if self.seen.get(path) == state]
        self.seen = now
        return settled


def take_in_dropped(watched: Watched, run: Callable[[list[Path]], Finished]) -> list[Moved]:
    """Take in the complete files of a folder together, and move each with its report out of the way.

    Parameters
    ----------
    watched : the folder.
    run : does the main job on files.

    Returns
    -------
    the files, moved into ``done`` or ``failed``; nothing where none is complete.

    Raises
    ------
    KettlestoneError : the store cannot be used now; the files stay where they are, to be taken later.
    """
    files = watched.complete()
    if not files:
        return []
    finished = run(files)
    told = {one["name"]: one for one in finished.summary["files"]}
    moved = [_moved(path, told.get(legible(path), {}), finished) for path in files]
    for path in files:
        watched.seen.pop(path, None)
    return moved


def _state(path: Path) -> tuple[int, int] | None:
    """Give size and time of a file that may be taken; None of anything else, and of what a program is writing."""
    if path.name.startswith((".", "~$")) or not path.name.lower().endswith(ACCEPTED):
        return None
    try:
        state = path.stat()
    except OSError:
        return None
    return (state.st_size, state.st_mtime_ns) if path.is_file() else None


def _moved(path: Path, told: dict[str, Any], finished: Finished) -> Moved:
    """Move a file, under a name that is free, and write what became of it beside it."""
    status = str(told.get("status", "not read"))
    target = _free(path.parent / (FAILED if status in _UNREAD else DONE) / path.name)
    try:
        target.parent.mkdir(exist_ok=True)
        shutil.move(path, target)
        notices = [row for row in finished.summary["notices"] if row["name"] == told.get("name")]
        report = {"file": told, "notices": notices, "summary": str(finished.folder / "summary.html")}
        part = target.with_name(f".{target.name}.part")
        part.write_text(json.dumps(report, indent=1, ensure_ascii=False, default=str), encoding="utf-8")
        os.replace(part, target.with_name(f"{target.name}.report.json"))  # noqa: PTH105 - bytes in names
    except OSError as error:
        raise KettlestoneError(
            f"{legible(path)}: it was taken in, but cannot be moved ({error.strerror or error}).\n"
            "  Nothing is lost: if it is seen again, it is known. Give the permission, or move it by hand."
        ) from error
    return Moved(target, status)


def _free(target: Path) -> Path:
    """Give a name nobody has: a later file of the same name gets a number."""
    number, free = 1, target
    while free.exists():
        number += 1
        free = target.with_name(f"{target.stem}-{number}{target.suffix}")
    return free
