"""One way to write every sign, so that look-alikes compare equal; places in the original are kept."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

# Signs that mean another one. Compatibility folding would make a letter "o" of the Spanish ordinal sign.
_ALIKE: Final = {
    **dict.fromkeys("º˚∘ᵒ⁰", "°"),
    **dict.fromkeys("−–—‐‑‒﹣", "-"),
    **dict.fromkeys("·⋅•∙・‧×*", " "),
    **dict.fromkeys("µμ", "u"),
    **dict.fromkeys("∕⁄／", "/"),
    **dict.fromkeys("［【「{〔", "["),
    **dict.fromkeys("］】」}〕", "]"),
    "、": ",",
}
_LATIN_MARKS: Final = ("\u0300", "\u036f")  # accents; the voiced marks of Japanese are letters


@dataclass(frozen=True)
class Folded:
    """A text in one way of writing; ``origin`` is the place in ``written`` of each of its signs."""

    written: str
    text: str
    origin: tuple[int, ...]

    def original(self, start: int, end: int) -> str:
        """Give what stands in the original where the folded text has a stretch."""
        if start >= end:
            return ""
        return self.written[self.origin[start] : self.origin[end - 1] + 1].strip()


@lru_cache(maxsize=16384)
def fold(text: str, *, keep_case: bool = False) -> Folded:
    """Fold look-alikes, raised and lowered signs, accents, case and blanks.

    Example
    -------
    >>> fold("mg·L⁻¹  CaCO₃").text
    'mg l-1 caco3'
    """
    if text.isascii() and text.isprintable() and text == " ".join(text.split()) and _ALIKE.keys().isdisjoint(text):
        return Folded(text, text if keep_case else text.lower(), tuple(range(len(text))))
    written = unicodedata.normalize("NFC", text)
    signs: list[str] = []
    origin: list[int] = []
    for place, sign in enumerate(written):
        for part in _signs(sign, keep_case=keep_case):
            blank = part.isspace()
            if blank and (not signs or signs[-1] == " "):
                continue
            signs.append(" " if blank else part)
            origin.append(place)
    while signs and signs[-1] == " ":
        signs.pop()
        origin.pop()
    return Folded(written, "".join(signs), tuple(origin))


@lru_cache(maxsize=4096)
def _signs(sign: str, *, keep_case: bool) -> str:
    if sign in _ALIKE:
        return _ALIKE[sign]
    plain = "".join(_ALIKE.get(part, part) for part in unicodedata.normalize("NFKC", sign))
    plain = plain if keep_case else plain.casefold()
    bare = (part for part in unicodedata.normalize("NFD", plain) if not _LATIN_MARKS[0] <= part <= _LATIN_MARKS[1])
    return unicodedata.normalize("NFC", "".join(bare))


def squeezed(text: str) -> str:
    """Leave out of a folded text what only separates its parts: blanks, points, hyphens, commas.

    Example
    -------
    >>> squeezed("p.p.m."), squeezed("ph-einheiten"), squeezed("mg_l")
    ('ppm', 'pheinheiten', 'mg/l')
    """
    return re.sub(r"[\s.,\-]+", "", text).replace("_", "/")
