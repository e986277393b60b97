"""What stands with a number in its cell: a raised footnote mark, an uncertainty, the other end of a range."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from pipeline.arrays import Flags

_RAISED: Final = "\u00b9\u00b2\u00b3\u2070\u2074-\u2079"
_MINUS: Final = "\u2212"
# A raised figure behind a number is the mark of a footnote; behind a letter it belongs to a unit (m³), and behind a
# ten, or with a minus sign, it may be a power.
_FOOTNOTE: Final = (
    rf"^(?P<text>[^A-Za-z×·*]*\d)\s?(?P<mark>[{_RAISED}]+(?:\s?[,;]\s?[{_RAISED}]+)*[)⁾]?)(?P<after>[^{_RAISED}]*)$"
)
_POWER: Final = rf"(^|[^\d.,])10([{_RAISED}])"
_NUMBER: Final = r"\d+(?:[.,]\d+)?"
_SPREAD: Final = (
    rf"^(?P<text>[^±]*?\d)\s*(?:±|\+/[-{_MINUS}]|\+[-{_MINUS}])\s*(?P<spread>{_NUMBER}\s*%?)(?P<after>\D.*|)$"
)
_BETWEEN: Final = rf"(?:-|–|—|{_MINUS}|~|～|〜|\.\.+|…|bis|to|à|a|al|tot|até|till?)"
_RANGE: Final = (
    rf"^(?P<text>[<>≤≥~]?\s*{_NUMBER})\s*{_BETWEEN}\s*(?P<upper>{_NUMBER})(?P<after>\s*[^\d\s.,/–—-].*|\s*)$"
)
# "05-12" and "6-2024" are days and months that a spreadsheet made of something else.
_DATE_LIKE: Final = r"^\s*(?:0\d|\d{1,2}\s*\D+\s*(?:19|20)\d\d\s*$|\d{4}\s*-\s*\d{2}\s*$)"

PARTS: Final = ("mark", "spread", "upper")

# Words before or behind a number that say what a sign says; "unter 0,5" and "0.03未満" are below, "5以上" at least.
_BELOW: Final = (
    "less than|below|under|lower than|kleiner(?: als)?|unter|weniger als|inférieure? à|inf\\.?(?: à)?|moins de|"
    "inferiore a|inf\\.? a|meno di|inferior a|menor (?:de|que|a)|menos de|minder dan|lager dan|kleiner dan|poniżej|"
    "mniej niż|méně než|pod|小于|低于|不足"
)
_ABOVE: Final = (
    "more than|above|over|greater than|größer(?: als)?|über|mehr als|supérieure? à|sup\\.?(?: à)?|plus de|superiore a|"
    "più di|superior a|mayor (?:de|que|a)|más de|maior que|mais de|groter dan|meer dan|hoger dan|powyżej|więcej niż|"
    "více než|nad|大于|高于|超过"
)
_ABOUT: Final = (
    "approx\\.?|approximately|about|around|etwa|ungefähr|rund|env\\.?|environ|circa|ca\\.?|aprox\\.?|aproximadamente|"
    "cerca de|ongeveer|około|ok\\.|cca\\.?|asi|zhruba|約|约|大约"
)
_COMPARED: Final = (
    *((sign, rf"(?i)^(?:{words})\s*([\d.,])") for sign, words in (("<", _BELOW), (">", _ABOVE), ("~", _ABOUT))),
    ("<", r"^(.*?)\s*(?:未満|以下|未满)$"),
    (">", r"^(.*?)\s*(?:以上|超)$"),
)
_WORDED: Final = r"^\p{L}|(?:未満|以下|未满|以上|超)$"


def with_signs(texts: pa.Array) -> pa.Array:
    """Write words of comparison as signs: "less than 0.5", "env. 20" and "0.03未満" as "<0.5", "~20" and "<0.03".

    Parameters
    ----------
    texts : (n,) distinct cells.
    """
    worded = _matches(texts, _WORDED) & _matches(texts, r"\d")
    if not worded.any():
        return texts
    where = pa.array(worded)
    said = texts.filter(where)
    for sign, pattern in _COMPARED:
        said = pc.replace_substring_regex(said, pattern=pattern, replacement=rf"{sign}\1")
    return pc.replace_with_mask(texts, where, said)


def without_marks(texts: pa.Array) -> tuple[pa.Array, dict[str, pa.Array]]:
    """Take off what stands with the numbers of cells; each pattern is looked for in the texts that can match it.

    Parameters
    ----------
    texts : (n,) distinct cells as written.

    Returns
    -------
    texts : the number with its sign and unit alone ("12–18 °dH" → "12 °dH").
    parts : `mark` of a footnote ("²"), `spread` behind "±" ("3,1" or "5 %"), `upper` end of a range ("18");
        "" where there is none.
    """
    parts = {name: pa.repeat("", len(texts)) for name in PARTS}
    raised = _matches(texts, f"[{_RAISED}]")
    if raised.any():
        texts = pc.replace_substring_regex(texts, pattern=_POWER, replacement=r"\1 10^\2")
        texts, parts["mark"] = _taken_off(texts, "mark", _FOOTNOTE, _matches(texts, f"[{_RAISED}]"))
    signed = _matches(texts, rf"±|\+/?[-{_MINUS}]")
    bare = pc.replace_substring_regex(texts, pattern=r"[()]", replacement="")
    texts, parts["spread"] = _taken_off(pc.if_else(pa.array(signed), bare, texts), "spread", _SPREAD, signed)
    between = _matches(texts, rf"\d\s*{_BETWEEN}\s*\d") & ~_matches(texts, _DATE_LIKE)
    texts, parts["upper"] = _taken_off(texts, "upper", _RANGE, between)
    return texts, parts


def _matches(texts: pa.Array, pattern: str) -> Flags:
    return np.asarray(pc.match_substring_regex(texts, pattern).to_numpy(zero_copy_only=False), dtype="bool")


def _taken_off(texts: pa.Array, name: str, pattern: str, likely: Flags) -> tuple[pa.Array, pa.Array]:
    """Divide texts that match a pattern into what is left of them and the part of that name."""
    part = pa.repeat("", len(texts))
    matching = np.zeros(len(texts), dtype="bool")
    places = np.flatnonzero(likely)
    if len(places):
        matching[places] = _matches(texts.take(pa.array(places)), pattern)
    if not matching.any():
        return texts, part
    where = pa.array(matching)
    found = pc.extract_regex(texts.filter(where), pattern)
    left = pc.binary_join_element_wise(
        pc.struct_field(found, "text"), pc.utf8_trim_whitespace(pc.struct_field(found, "after")), " "
    )
    taken = pc.utf8_trim_whitespace(pc.struct_field(found, name))
    return pc.replace_with_mask(texts, where, pc.utf8_trim_whitespace(left)), pc.replace_with_mask(part, where, taken)
