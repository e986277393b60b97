"""Headings as databases write them: cut, with strokes for signs, numbered; and those that say their symbol again."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline.notation import vocabulary

if TYPE_CHECKING:
    from collections.abc import Iterator

_COUNTED: Final = re.compile(r"(.*[^\W\d_])[-_.]0")  # the first of equal columns
_CUT_UNIT: Final = re.compile(r"(.+)_(?:mg|ug|µg|mmol|meq|mval|us|µs|ms)_", re.IGNORECASE)  # behind its amount
_SYMBOL: Final = re.compile(r"(?P<rest>.*\S[/_]\S*)\s+(?P<symbol>[A-Z][a-z]?)")
_UNITS: Final = ("US_CM", "MS_CM", "MG_L", "UG_L", "MMOL_L", "MEQ_L")
_LENGTH: Final = 10  # letters of the longest name of a column in a dBASE table
_CUT_FORM: Final = 3  # letters; fewer begin many a form


class FormerHeading(NamedTuple):
    """A heading put right; ``symbol`` is what stood behind its unit and must be that of its quantity."""

    text: str
    symbol: str = ""


def as_before(heading: str) -> Iterator[FormerHeading]:
    """Offer what a heading may have been before a database took it.

    Example
    -------
    >>> [found.text for name in ("EC_US_CM_", "ALK_MG_L_CAC", "pH-Units-0") for found in as_before(name)]
    ['EC_US_CM', 'ALK_MG_L_CACO3', 'pH-Units']
    """
    if found := _COUNTED.fullmatch(heading):
        yield FormerHeading(found[1])
    if found := _CUT_UNIT.fullmatch(heading):
        yield FormerHeading(found[1])
    elif heading.endswith("_"):
        yield FormerHeading(heading.rstrip("_ "))
    head, _, last = heading.rpartition("_")
    if head and " " not in heading and len(last) >= _CUT_FORM and (form := vocabulary.completed_form(last)):
        yield FormerHeading(f"{head}_{form.upper()}")
    if head and len(heading) == _LENGTH and len(last) >= _CUT_FORM:
        begun = [unit for unit in _UNITS if unit.replace("_", "").startswith(last.upper())]
        yield from (FormerHeading(f"{head}_{unit}") for unit in begun if len(begun) == 1)
    if found := _SYMBOL.fullmatch(heading):
        yield FormerHeading(found["rest"], found["symbol"])
