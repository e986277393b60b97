"""What a heading says that one drop is worth: "Drops GH (1 drop = 1 °dH)", "TH [1 goutte = 2 °f]"."""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from pipeline.notation.grammar import is_unit

DROP_NAMES: Final = r"drops?|tropfen|gouttes?|goccia|gocce|gotas?|druppels?|kropl[aęei]|kapk[auy]|滴"
_STATED: Final = re.compile(
    rf"[\s,;:]*[(\[]?\s*1\s*(?:{DROP_NAMES}|trpf\.?|tr\.?|gtt?\.?)\s*[=≙]\s*(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>[^()\[\]]+?)\s*[)\]]?\s*$",
    re.IGNORECASE,
)


class StatedDrop(NamedTuple):
    """A heading without what it says of a drop, and what that is: "1", "°dH"."""

    plain: str
    number: str
    unit: str


def stated_drop(text: str) -> StatedDrop | None:
    """Take the worth of a drop off a heading; None if it states none in a known unit.

    Example
    -------
    >>> stated_drop("GH Tropfen (1 Tr. = 0,5 °dH)"), stated_drop("drops GH (1 drop = 1 spoon)")
    (StatedDrop(plain='GH Tropfen', number='0,5', unit='°dH'), None)
    """
    found = _STATED.search(text)
    if found is None or not is_unit(found["unit"]):
        return None
    return StatedDrop(text[: found.start()], found["number"], found["unit"])
