"""The nearest known names to one that nobody knows; a hint to a person, never an answer."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

_LIKENESS: Final = 0.6  # share of like letters; a hint only, so no source is needed


def nearest(written: str, known: Iterable[str], *, most: int = 1, likeness: float = _LIKENESS) -> list[str]:
    """Find the known names that are most like what was written, whatever the case of its letters.

    Parameters
    ----------
    written : what a person wrote.
    known : the names there are.
    most : how many to name.
    likeness : the least share of like letters, 0 to 1.

    Example
    -------
    >>> nearest("ion-balanse", ["ion-balance", "hardness-sum"])
    ['ion-balance']
    """
    names = {name.casefold(): name for name in known}
    return [names[name] for name in difflib.get_close_matches(written.casefold(), names, n=most, cutoff=likeness)]


def did_you_mean(written: str, known: Iterable[str], *, likeness: float = _LIKENESS) -> str:
    """Ask after the nearest known name, as the end of a sentence; without one, the sentence just ends.

    Parameters
    ----------
    written, known, likeness : as for `nearest`.

    Example
    -------
    >>> "there is no check" + did_you_mean("ion-balanse", ["ion-balance"])
    'there is no check; did you mean "ion-balance"?'
    """
    near = nearest(written, known, likeness=likeness)
    return f'; did you mean "{near[0]}"?' if near else "."
