"""Titrants as people write them: "0.0100 M EDTA", "H2SO4 (mol/L)", "N/50"; substance, moles, equivalents."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final, NamedTuple

from pipeline.ingest.spellings import heading_words, key, word_keys, word_table

_AMOUNT: Final = r"(?:[cC]\s*=\s*)?(?P<figure>\d*[.,]?\d+(?:[eE]-?\d+)?)"
_UNIT: Final = r"(?P<unit>mmol/[lL]|mol/[lL]|mol/dm[3³]|mol\s?[lL]-1|m?eq/[lL]|m?val/[lL]|[MN])"
# A concentration with its unit, or a fraction of a normal or molar solution: N/50.
_STRENGTH: Final = re.compile(
    rf"(?<![\w.,/]){_AMOUNT}\s*-?\s*{_UNIT}(?![\w/])|(?<![\w/])(?P<whole>[MN])/(?P<part>\d+)\b"
)
_MILLILITRES: Final = re.compile(r"(?<![^\W\d_])(?:ml|cc|ccm|cm[3³])(?![^\W\d_])", re.IGNORECASE)
_THOUSAND: Final = 1000.0


class Titrant(NamedTuple):
    """What a text says of a titrant: its formula, and its concentration in mol/L or eq/L as a text; "" for nothing."""

    substance: str = ""
    moles: str = ""
    equivalents: str = ""


@lru_cache(maxsize=4096)
def titrant_of(text: str) -> Titrant:
    """Read what a text says of a titrant.

    Example
    -------
    >>> titrant_of("0,0100 M EDTA"), titrant_of("H2SO4 N/50").equivalents
    (Titrant(substance='EDTA', moles='0.0100', equivalents=''), '0.02')
    """
    found = _STRENGTH.search(text)
    substance = _substance(text)
    if not found:
        return Titrant(substance)
    if found["whole"]:
        figure, molar = f"{1.0 / max(int(found['part']), 1):.6g}", found["whole"] == "M"
    else:
        figure, molar = found["figure"].replace(",", "."), found["unit"] == "M" or "mol" in found["unit"]
        if found["unit"].startswith(("mm", "me", "mv")):
            figure = f"{float(figure) / _THOUSAND:.6g}"
    return Titrant(substance, figure if molar else "", "" if molar else figure)


def titrant_text(text: str) -> str:
    """Write what a text says of a titrant as a concentration in mol/L or eq/L and a formula; "" where it says nothing.

    Example
    -------
    >>> titrant_text("Alkalinity 0.02 N H2SO4 (mL)")
    '0.02 eq/L H2SO4'
    """
    said = titrant_of(text)
    strength = f"{said.moles} mol/L" if said.moles else f"{said.equivalents} eq/L" if said.equivalents else ""
    return f"{strength} {said.substance}".strip()


def whole_titrant(text: str) -> bool:
    """Tell whether a cell says nothing but a titrant: a concentration, a substance, or both."""
    rest = _STRENGTH.sub(" ", text, count=1)
    return rest != text or not any(sign.isdigit() for sign in rest) or bool(_substance(rest))


def without_strength(text: str) -> str:
    """Take the concentration of the titrant out of the heading of a volume: "0.02 N acid (mL)" is "acid (mL)"."""
    if not _MILLILITRES.search(text):
        return text
    return " ".join(_STRENGTH.sub(" ", text, count=1).replace("()", " ").split())


@lru_cache(maxsize=4096)
def is_titrant_volume(folded: str) -> bool:
    """Tell whether folded words name the volume of a titrant: "ml h2so4", "volume of acid ml"."""
    rest, named = f" {folded} ", False
    for name in _titrant_names() if " ml " in rest else ():
        if f" {name} " in rest:
            rest, named = rest.replace(f" {name} ", " ", 1), True
    return named and all(word == "ml" or word in _volume_words() for word in rest.split())


@lru_cache(maxsize=1)
def _titrant_names() -> tuple[str, ...]:
    """Give what titrants are called, the longest names first."""
    names = {*word_table("titrants"), *word_keys(heading_words()["titrant words"], "de")}
    return tuple(sorted(names, key=lambda name: (-len(name), name)))


@lru_cache(maxsize=1)
def _volume_words() -> frozenset[str]:
    return frozenset(word_keys(heading_words()["volume words"], "de"))


def _substance(text: str) -> str:
    words = key(text).split()
    known = word_table("titrants")
    for size in range(min(4, len(words)), 0, -1):
        for first in range(len(words) - size + 1):
            if formula := known.get(" ".join(words[first : first + size])):
                return formula
    return ""
