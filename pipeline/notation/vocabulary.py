"""The words of units (``schemas/units.json``), folded: spelled units, their parts, chemical forms."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import schemas
from pipeline.notation.signs import fold, squeezed

if TYPE_CHECKING:
    from collections.abc import Iterable

_TABLE: Final = Path(schemas.__file__).with_name("units.json")
# Ten to the power of each prefix, and of each volume in litres and length in metres.
PREFIXES: Final = {"k": 3, "": 0, "d": -1, "m": -3, "u": -6, "n": -9}
VOLUMES: Final = {"L": 0, "m3": 3, "mL": -3}
LENGTHS: Final = {"cm": -2, "m": 0}
_CHARGE: Final = r"(?:\s?\(?(?:\d?\s?[+=\-]{1,3}|[+\-]\s?\d)\)?)?"


@dataclass(frozen=True)
class Unit:
    """A unit as the program knows it.

    ``expression`` is what pint makes of it, "" for a scale of its own; ``form`` the chemical form it implies.
    """

    code: str
    expression: str
    form: str
    spellings: tuple[str, ...]
    degree: tuple[str, ...]
    exact: tuple[str, ...]


@cache
def unit_words() -> dict[str, Any]:
    """Load the table once."""
    loaded: dict[str, Any] = json.loads(_TABLE.read_text(encoding="utf-8"))
    return loaded


@cache
def units() -> dict[str, Unit]:
    """Give every unit by its code."""
    return {
        code: Unit(
            code,
            entry.get("expression", ""),
            entry.get("form", ""),
            tuple(entry["spellings"]),
            tuple(entry.get("degree", ())),
            tuple(entry.get("exact", ())),
        )
        for code, entry in unit_words()["units"].items()
    }


def unit_key(text: str) -> str:
    """Fold a spelling for comparison."""
    return squeezed(fold(text).text)


@cache
def spelled() -> dict[str, tuple[str, ...]]:
    """Give the codes of every spelling that is not put together from parts; °F has two."""
    found: dict[str, tuple[str, ...]] = {}
    signs = [unit_key(sign) for sign in unit_words()["parts"]["degree_signs"]]
    for unit in units().values():
        beside = [unit_key(word) for word in unit.degree]
        words = {unit_key(word) for word in (unit.code, *unit.spellings)}
        words |= {joined for sign in signs for word in beside for joined in (f"{sign}{word}", f"{word}{sign}")}
        for word in words:
            found[word] = (*found.get(word, ()), unit.code)
    return found


@cache
def exact() -> dict[str, str]:
    """Give the units whose capital letters count ("mM", not "mm")."""
    return {fold(word, keep_case=True).text: unit.code for unit in units().values() for word in unit.exact}


@cache
def ambiguous() -> dict[str, str]:
    """Give what a spelling of several meanings may mean."""
    known = {unit_key(text): meaning for text, meaning in unit_words()["ambiguous"].items()}
    degree = unit_words()["ambiguous_degree"]
    signs = unit_words()["parts"]["degree_signs"]
    return {unit_key(f"{sign}{word}"): degree["meaning"] for sign in signs for word in degree["words"]} | known


@cache
def others() -> frozenset[str]:
    """Give units that are known as such and measure nothing that is judged here."""
    return frozenset(unit_key(text) for text in unit_words()["others"])


@cache
def none() -> frozenset[str]:
    """Give the words for "without a unit"."""
    return frozenset(fold(text).text for text in unit_words()["none"])


@cache
def part(kind: str) -> dict[str, str]:
    """Give the words of a kind of part (prefixes, amounts, volumes, lengths), folded, and what they stand for."""
    listed = unit_words()["parts"][kind].items()
    return {" ".join(fold(word).text.replace(".", " ").split()): code for code, words in listed for word in words}


def alternatives(words: Iterable[str]) -> str:
    """Write words as alternatives of a pattern, the longest first; a blank may be left out."""
    ordered = sorted({*words} - {""}, key=lambda word: (-len(word), word))
    return "|".join(re.escape(word).replace(r"\ ", r"\s?") for word in ordered)


@cache
def word_pattern(kind: str) -> str:
    """Give a list of words of the table ("form_words/before") as alternatives of a pattern."""
    listed: Any = unit_words()
    for name in kind.split("/"):
        listed = listed[name]
    return alternatives(fold(word).text for word in listed)


@cache
def forms() -> dict[str, str]:
    """Give the chemical form of every way to name one, without blanks, hyphens and charges."""
    return {_form_key(name): form for form, names in unit_words()["forms"].items() for name in names}


def _form_key(text: str) -> str:
    return re.sub(r"[\s_\-]", "", fold(text).text)


@cache
def _formulas() -> frozenset[str]:
    names = (name for known in unit_words()["forms"].values() for name in known)
    return frozenset(_form_key(name) for name in names if re.fullmatch(r"(?:[A-Z][a-z]?\d*)+(?:-[A-Z]\w*)?", name))


def is_formula(text: str) -> bool:
    """Tell a formula ("NO3-N") from a name in words ("nitrate nitrogen")."""
    return re.sub(r"[()+=]|\d?-$", "", _form_key(text)) in _formulas() or _form_key(text) in _formulas()


def completed_form(text: str) -> str:
    """Complete a formula that was cut to the one that begins so ("CAC" → "CaCO3"); "" where none or several do."""
    formulas = (name for known in unit_words()["forms"].values() for name in known if _form_key(name) in _formulas())
    begun = {name for name in formulas if _form_key(name).startswith(_form_key(text))}
    return begun.pop() if len(begun) == 1 and not form(text) else ""


@cache
def form_pattern() -> str:
    """Give the pattern of a chemical form: subscripts may stand apart, charges may follow, 0 may stand for O."""
    names = sorted(
        {fold(name).text for known in unit_words()["forms"].values() for name in known}, key=lambda n: -len(n)
    )
    return "|".join(_form(name) for name in names)


def _form(name: str) -> str:
    if not name.isascii() or not re.fullmatch(r"[a-z0-9\-]+", name) or len(name) > _LONGEST_FORMULA:
        return re.escape(name).replace(r"\ ", r"[\s_]?").replace(r"\-", r"[\s_\-]*")
    parts = [
        r"[\s_\-]*" if sign == "-" else rf"[\s_]?{sign}" if sign.isdigit() else "[o0]" if sign == "o" else sign
        for sign in name
    ]
    charge = _CHARGE + r"[\s_\-]*"
    return "".join(charge if part == r"[\s_\-]*" else part for part in parts) + _CHARGE


_LONGEST_FORMULA: Final = 8


def form(text: str) -> str:
    """Give the chemical form a text names ("si02" → "as SiO2"), "" if it names none.

    Example
    -------
    >>> form("CaCO₃"), form("SO4 2-"), form("NO3⁻-N"), form("gold")
    ('as CaCO3', 'as SO4', 'as N', '')
    """
    folded = fold(text).text.strip("() ")
    if not _whole_form().fullmatch(folded):
        return ""
    return _named(folded)


@cache
def _whole_form() -> re.Pattern[str]:
    return re.compile(form_pattern())


def _named(folded: str) -> str:
    """Find the form of a text that the pattern of forms matches."""
    known = forms()
    bare = re.sub(r"[\s_\-()+=]", "", folded)
    for candidate in (bare, re.sub(r"(?<=[a-z])0", "o", bare)):
        for ending in (candidate, candidate[:-1] if candidate[-1:].isdigit() else candidate):
            if ending in known:
                return known[ending]
    return ""


def stated_form(text: str) -> str:
    """Give the form of a text that may say "as" before it ("als NO3"), "" if it names none."""
    folded = fold(text).text
    lead = _before_form().match(folded)
    return (form(folded[lead.end() :]) if lead else "") or form(folded)


@cache
def _before_form() -> re.Pattern[str]:
    return re.compile(rf"(?:{word_pattern('form_words/before')})[\s_]")
