"""The answer to `doctor`: is the store sound."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Final

from pipeline.errors import EXIT_CANNOT, EXIT_CLEAN, EXIT_FINDINGS, KettlestoneError
from pipeline.store.soundness import Observation, examine

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.settings import Settings
    from pipeline.store.soundness import Soundness

_SIGNS: Final[dict[Soundness, str]] = {"sound": "sound", "told": "note", "repaired": "mended", "unsound": "UNSOUND"}


def soundness(settings: Settings, proved: Callable[[], list[str]] | None, *, as_json: bool) -> tuple[str, int]:
    """Examine the store of the settings.

    Parameters
    ----------
    settings : where the store is.
    proved : where every archived file is to be read again: makes the store anew and lists where the two differ.
    as_json : data for other programs in place of text.

    Returns
    -------
    the text, and the code to leave with: 0 sound, 1 something was told or mended, 2 unsound.

    Raises
    ------
    KettlestoneError : there is no store, or it cannot be opened.
    """
    found = tuple(examine(settings.store, every_file=proved is not None, wait_s=settings.lock_wait_s))
    if proved is not None and _code(found) != EXIT_CANNOT:
        found = (*found, _equality(proved))
    code = _code(found)
    if as_json:
        return json.dumps([asdict(one) for one in found], indent=1, ensure_ascii=False), code
    width = max(len(one.subject) for one in found)
    lines = [f"{_SIGNS[one.state]:8} {one.subject:{width}}  {one.words}" for one in found]
    return "\n".join([str(settings.store), *lines, "", _verdict(code)]), code


def _equality(proved: Callable[[], list[str]]) -> Observation:
    """Tell whether what archive and journal say is what the store says."""
    try:
        differing = proved()
    except KettlestoneError as error:
        return Observation("equality", "unsound", " ".join(str(error).split()))
    if differing:
        return Observation(
            "equality", "unsound", f"made anew from archive and journal it differs: {'; '.join(differing)}"
        )
    return Observation("equality", "sound", "made anew from archive and journal it is the same, row by row")


def _code(found: tuple[Observation, ...]) -> int:
    states = {one.state for one in found}
    if "unsound" in states:
        return EXIT_CANNOT
    return EXIT_CLEAN if states == {"sound"} else EXIT_FINDINGS


def _verdict(code: int) -> str:
    if code == EXIT_CANNOT:
        return (
            "The store is not sound. Nothing was changed. Make it anew from archive and journal (kettlestone restore "
            "--from ARCHIVE TARGET),\nor go back to the newest sound copy (a backup *.before-* beside the store) and "
            "import what came later again."
        )
    return "The store is sound."
