"""Units, bases and reference temperatures split off a text such as "mg/l as N" or "µS/cm (25 °C)".

Only spellings of the tables in ``schemas`` count as units; nothing is guessed. What a
unit is worth is decided later, in ``pipeline.normalise.units``.
"""

from __future__ import annotations

import json
import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

import schemas
from pipeline.ingest.spellings import heading_words, key

_UNIT_TABLE: Final = Path(schemas.__file__).with_name("units.json")
_NO_UNIT: Final = ("-", "--", "ohne", "dimensionslos", "sansunité", "adimensionale")
_AT = re.compile(
    r"[\s,;@(]*(?:\b(?:bei|auf|a|à|at|@|bij|en|tref|t ref)\b[\s=]*)?"
    r"(\d{2,3})\s*(?:°|º|˚|o|deg\.?)?\s*c\b[\s)]*$",
    re.IGNORECASE,
)
_AS = re.compile(
    r"^(.*?)[\s,;(]+(?:as|als|en|como|come|de|di|ber\.?\s*als|exprim[ée]e?s?\s+en|espress[oaie]\s+(?:come|in))"
    r"\s+([A-Za-z0-9][A-Za-z0-9\s\-]*?)[\s)=+\-]*$",
    re.IGNORECASE,
)
_INSIDE = re.compile(
    r"^([mµμun]?(?:g|mol|eq|val))\s*[(\s]?\s*([A-Za-z][A-Za-z0-9]*(?:\s*-\s*[A-Za-z][A-Za-z0-9]*)?)\s*\)?\s*/\s*(l|dm3|dm³)$",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class UnitText:
    """A unit as written, the basis and the reference temperature [°C] that stood with it ("" = none)."""

    unit: str = ""
    basis: str = ""
    at: str = ""


def unit_key(text: str) -> str:
    """Fold a unit for comparison: compatibility forms, case, blanks, footnote stars, "_" for "/"."""
    folded = unicodedata.normalize("NFKC", text).casefold().replace("º", "°").replace("˚", "°")
    return re.sub(r"[\s*]+", "", folded).strip("_,;").replace("_", "/")


@lru_cache(maxsize=1)
def _units() -> tuple[frozenset[str], dict[str, str]]:
    units = heading_words()["units"]
    spelled = {unit_key(text): written for text, written in units["spelled out"].items()}
    convertible = json.loads(_UNIT_TABLE.read_text(encoding="utf-8"))
    words = {word for known in convertible["units"].values() for word in known}
    # A count of drops is a way to write an entry, not a unit.
    counts = {key(word) for word in heading_words()["affixes"]["drops"]}
    words |= {*convertible["ambiguous"], *units["other"]}
    return frozenset({unit_key(word) for word in words if key(word) not in counts} - {""}), spelled


@lru_cache(maxsize=1)
def _endings() -> tuple[str, ...]:
    known, glued = _units()
    forms = {form.replace(" ", "") for form in heading_words()["species"]}
    return tuple({*known, *glued, *forms})


def ends_like_unit(text: str) -> bool:
    """Say quickly whether a unit, maybe with a form or temperature, can stand at the end."""
    folded = unit_key(text).rstrip("+-=)]} ")
    return folded.endswith(_endings()) or bool(_AT.search(text))


def species(text: str) -> str:
    """Give the chemical form a text names ("si02" → "SiO2"), "" if it names none."""
    spelled: str = heading_words()["species"].get(key(text), "")
    return spelled


def plain_unit(text: str) -> str:
    """Give a unit in the spelling to hand on, "" if the text is not a unit of the table."""
    folded = unit_key(text)
    known, glued = _units()
    if folded in glued:
        return glued[folded]
    if folded not in known:
        return ""
    written = re.sub(r"\*+", "", " ".join(text.split())).strip(" _,;")
    return re.sub(r"(?<=\w)_(?=\w)", "/", written)


@lru_cache(maxsize=4096)
def split_unit(text: str) -> UnitText | None:
    """Take a text apart if all of it is a unit with, maybe, a basis and a reference temperature.

    Example
    -------
    >>> split_unit("mg/l as N")
    UnitText(unit='mg/l', basis='as N', at='')
    >>> split_unit("uS/cm @25C")
    UnitText(unit='uS/cm', basis='', at='25')
    >>> split_unit("red") is None
    True
    """
    written = " ".join(unicodedata.normalize("NFC", text).split())
    written = re.sub(r"^(?:en|in)\s+", "", written, flags=re.IGNORECASE)
    if unit_key(written) in _NO_UNIT:
        return UnitText()
    if plain := plain_unit(written):
        return UnitText(plain)
    if (inside := _INSIDE.match(written)) and (form := species(inside[2])):
        return UnitText(f"{inside[1]}/{inside[3]}", f"as {form}")
    if (at := _AT.search(written)) and (plain := plain_unit(written[: at.start()])):
        return UnitText(plain, at=at[1])
    return _with_form(written)


def _with_form(written: str) -> UnitText | None:
    if (stated := _AS.match(written)) and (form := species(stated[2])):
        plain = plain_unit(stated[1])
        return UnitText(plain, f"as {form}") if plain else None
    bare = re.match(r"^(.*\S)[\s(]+([A-Za-z0-9]+)[\s)=+\-*\d]*$", written)
    if bare and (form := species(bare[2])) and (plain := plain_unit(bare[1])):
        return UnitText(plain, f"as {form}")
    return None


def split_temperature(text: str) -> tuple[str, str]:
    """Split a reference temperature off the end: ("Leitfähigkeit", "20") of "Leitfähigkeit bei 20 °C"."""
    at = _AT.search(text)
    return (text[: at.start()], at[1]) if at and at.start() else (text, "")


def split_basis(text: str) -> tuple[str, str]:
    """Split "as CaCO3", "als N" or a bare form off the end of a name."""
    if (stated := _AS.match(text)) and (form := species(stated[2])):
        return stated[1], f"as {form}"
    bare = re.match(r"^(.*\w)(?:[\s,;_(]+|\s*-\s*)([A-Za-z0-9]+)[\s)=+\-]*$", text)
    if bare and len(bare[2]) > 1 and (form := species(bare[2])):
        return bare[1], f"as {form}"
    return text, ""
