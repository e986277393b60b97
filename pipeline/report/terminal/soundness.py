"""The answer to `doctor`: is the store sound."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Final

from pipeline.errors import EXIT_CANNOT, EXIT_CLEAN, EXIT_FINDINGS
from pipeline.store.soundness import examine

if TYPE_CHECKING:
    from pipeline.settings import Settings
    from pipeline.store.soundness import Observation, Soundness

_SIGNS: Final[dict[Soundness, str]] = {"sound": "sound", "told": "note", "repaired": "mended", "unsound": "UNSOUND"}


def soundness(settings: Settings, *, every_file: bool, as_json: bool) -> tuple[str, int]:
    """Examine the store of the settings.

    Parameters
    ----------
    settings : where the store is.
    every_file : also read every archived file again.
    as_json : data for other programs in place of text.

    Returns
    -------
    the text, and the code to leave with: 0 sound, 1 something was told or mended, 2 unsound.

    Raises
    ------
    KettlestoneError : there is no store, or it cannot be opened.
    """
    found = tuple(examine(settings.store, every_file=every_file, wait_s=settings.lock_wait_s))
    code = _code(found)
    if as_json:
        return json.dumps([asdict(one) for one in found], indent=1, ensure_ascii=False), code
    width = max(len(one.subject) for one in found)
    lines = [f"{_SIGNS[one.state]:8} {one.subject:{width}}  {one.words}" for one in found]
    return "\n".join([str(settings.store), *lines, "", _verdict(code)]), code


def _code(found: tuple[Observation, ...]) -> int:
    states = {one.state for one in found}
    if "unsound" in states:
        return EXIT_CANNOT
    return EXIT_CLEAN if states == {"sound"} else EXIT_FINDINGS


def _verdict(code: int) -> str:
    if code == EXIT_CANNOT:
        return (
            "The store is not sound. Nothing was changed. Go back to the newest sound copy (a snapshot, or a backup "
            "*.before-* beside the store)\nand import what came later again; the files themselves are in the archive."
        )
    return "The store is sound."
