"""Which files a run fails at: tried apart, by halves, where the program failed at all of them together."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


def culprits(files: Sequence[Path], take_in: Callable[[Sequence[Path], Path], None]) -> dict[Path, Exception]:
    """Find the files that a run fails at whatever is with them.

    Parameters
    ----------
    files : that failed together.
    take_in : takes some of them into a folder of its own, which is removed afterwards.

    Returns
    -------
    each of these files and what it fails with; nothing where that is all of them, or none: then no file is at fault.
    """
    found = dict(_failing(files, take_in)) if len(files) > 1 else {}
    return found if len(found) < len(files) else {}


def _failing(files: Sequence[Path], take_in: Callable[[Sequence[Path], Path], None]) -> list[tuple[Path, Exception]]:
    error = _failure(files, take_in)
    if error is None:
        return []
    if len(files) == 1:
        return [(files[0], error)]
    half = len(files) // 2
    return [*_failing(files[:half], take_in), *_failing(files[half:], take_in)]


def _failure(files: Sequence[Path], take_in: Callable[[Sequence[Path], Path], None]) -> Exception | None:
    with tempfile.TemporaryDirectory(prefix="kettlestone-", ignore_cleanup_errors=True) as folder:
        try:
            take_in(files, Path(folder))
        except KettlestoneError:
            return None
        except Exception as error:  # noqa: BLE001 - what fails is what is looked for
            return error
    return None
