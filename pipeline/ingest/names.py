"""Names that no table spells: read as a set of words, each of which must be explained.

"Totale Härte / dureté totale", "alk_tot" and "Nitrate as nitrogen" are put together from words for a quantity,
what it is counted as, where it was taken and how. Nothing is read from likeness: a word is known whole, as a
compound of known words, or in number and gender; one word left over, and the name is not understood.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING, Final

from pipeline.ingest.meanings import known_spellings
from pipeline.ingest.name_vocabulary import (
    COUNTED_AS,
    accompanying_words,
    compound,
    name_rules,
    only_beginning,
    word_meanings,
)
from pipeline.ingest.spellings import key
from pipeline.notation import vocabulary
from pipeline.notation.grammar import is_unit
from pipeline.notation.signs import fold

if TYPE_CHECKING:
    from pipeline.ingest.meanings import Meaning

_TOKEN: Final = re.compile(r"\d+[.,]\d+|[^\W\d_]+(?=\d+[.,]\d)|[^\W_]+|\+(?=\s*[^\W\d_])")
_CAMEL: Final = re.compile(r"(?<=[a-z])(?=[A-Z])")
_NUMBERED: Final = re.compile(r"([a-z]{2,})(\d{2,3})c?")
_WORDS_AT_MOST: Final = 12
_SHORT: Final = 3  # letters: shorter words may be parts of units
_LONG_NUMBER: Final = 2  # digits: a single one may be a charge or an exponent
_PHRASE: Final = 4  # words of the longest phrase
_READINGS_AT_MOST: Final = 64
_CUT: Final = 10  # letters of a column name in a dBASE table; longer names are cut
_AS_CARBONATE: Final = "as CaCO3"
# Temperatures in °C at which conductivities stand and residues are dried, and the end points of titrations.
_AT: Final = {"20": "20", "25": "25", "103": "103", "105": "105", "110": "110", "180": "180"}
_END_POINTS: Final = {
    **dict.fromkeys(("4.2", "4.3", "4.5", "4.8"), "to pH 4.3"),
    **dict.fromkeys(("8.2", "8.3"), "to pH 8.3"),
}
_STATISTICS: Final = ("mean", "statistic")
_NO_SUBSTANCE: Final = ("temperature", "ph", "conductivity", "turbidity", "redox", "saturation_index", "colour")


@dataclass(frozen=True)
class Name:
    """What a name put together from words stands for; ``statistic``: a mean, an extreme or the like of it."""

    meaning: Meaning
    statistic: bool = False


@dataclass(frozen=True)
class _Words:
    """The meanings of the words of a name so far; ``forms`` are chemical forms, ``at`` a temperature."""

    meanings: tuple[tuple[str, ...], ...] = ()
    forms: tuple[str, ...] = ()
    at: tuple[str, ...] = ()
    unknown: tuple[str, ...] = field(default=())


def spaced(text: str) -> str:
    """Put a blank where capital letters begin words inside a word.

    Example
    -------
    >>> spaced("TotalHardness")
    'Total Hardness'
    """
    return _CAMEL.sub(" ", text)


@lru_cache(maxsize=32768)
def read_name(text: str, *, cut: bool = False) -> Name | None:
    """Read a name that is put together from words.

    Parameters
    ----------
    text : the name, without unit and brackets.
    cut : whether the text is a whole heading, which a database may have cut at ten letters.

    Example
    -------
    >>> read_name("totale Härte / dureté totale").meaning.code
    'total_hardness'
    >>> read_name("NO3_N").meaning.basis
    'as N'
    >>> read_name("hardness of the rock") is None
    True
    """
    tokens = _tokens(text)
    if not 0 < len(tokens) <= _WORDS_AT_MOST:
        return None
    for form_said in (True, False):
        words = _words(tokens, cut=cut and len(text) == _CUT, form_said=form_said)
        if not words.unknown and (name := _of_words(words)):
            return name
    return _completed(text) if cut and len(text) == _CUT else None


def _completed(text: str) -> Name | None:
    """Complete a heading that a database cut to the one quantity whose spellings begin so: "GESAMTHAER"."""
    begun = key(text).replace(" ", "")
    if len(begun) < _CUT:
        return None  # cut behind a blank or inside a unit
    found = {
        one
        for spelling, said in known_spellings().items()
        if spelling.replace(" ", "").startswith(begun)
        for one in said
    }
    plain = {one for one in found if not one.beside}
    return Name(plain.pop()) if len(plain) == 1 else None


def may_name(text: str) -> bool:
    """Tell quickly whether a heading holds a word that a name is made of, and no longer word that nothing explains."""
    meanings: set[str] = set()
    for token in _tokens(spaced(text)) if len(text) != _CUT else ():
        words = _words([token], cut=False)
        short = len(token) < _LONG_NUMBER if token.isdigit() else len(token) <= _SHORT
        if words.unknown and not short and key(token) not in accompanying_words():
            return False
        meanings.update(*words.meanings)
    return len(text) == _CUT or _CAMEL.search(text) is not None or not _needed().isdisjoint(meanings)


@lru_cache(maxsize=1)
def _needed() -> frozenset[str]:
    """Give the meanings of which every name has one."""
    return frozenset[str]().union(*(rule.needed for rule in name_rules()))


def left_over(text: str) -> tuple[str, ...]:
    """Give the words of a heading that nothing explains, () where none or all of them are known."""
    words = _words(_tokens(text)[:_WORDS_AT_MOST], cut=False)
    unknown = (word for word in words.unknown if key(word) not in accompanying_words())
    return tuple(unknown) if words.meanings else ()


def _tokens(text: str) -> list[str]:
    return _TOKEN.findall(fold(text, keep_case=True).text)


def _words(tokens: list[str], *, cut: bool, form_said: bool = True) -> _Words:
    """Explain the words; "en calcium" is a form, or without ``form_said`` a substance ("teneur en calcium")."""
    found, place = _Words(), 0
    while place < len(tokens):
        last = place == len(tokens) - 1
        length, found = _next(tokens, place, found, cut=cut and last, form_said=form_said)
        place += length
    return found


def _next(tokens: list[str], place: int, found: _Words, *, cut: bool, form_said: bool) -> tuple[int, _Words]:
    """Explain the words at a place: a form said in words, the longest phrase, a number, a formula, a compound."""
    if place + 1 < len(tokens) and is_unit("/".join(tokens[place : place + 2])):
        # "mg/L" is no magnesium: a unit that stands in a name was not split off, so the name is not read.
        return 2, replace(found, unknown=(*found.unknown, *tokens[place : place + 2]))
    for length in range(min(_PHRASE, len(tokens) - place), 0, -1):
        phrase = " ".join(tokens[place : place + length])
        if length > 1 and "+" in phrase:
            continue
        if length > 1 and (form := _said_form(phrase)) and (form_said or form == _AS_CARBONATE):
            return length, replace(found, forms=(*found.forms, form))
        if meanings := word_meanings(phrase):
            return length, replace(found, meanings=(*found.meanings, meanings))
    return 1, _of_token(tokens[place], found, cut=cut)


def _of_token(token: str, found: _Words, *, cut: bool) -> _Words:
    word = key(token)
    if token[0].isdigit():
        return _of_number(token.replace(",", ".").removesuffix("C").removesuffix("c"), found)
    form = vocabulary.form(token)
    if form == _AS_CARBONATE or (form and vocabulary.is_formula(token)):
        return replace(found, forms=(*found.forms, form))
    if (numbered := _NUMBERED.fullmatch(word)) and (meanings := word_meanings(numbered[1])):
        return _of_number(numbered[2], replace(found, meanings=(*found.meanings, meanings)))
    if parts := compound(word) or (only_beginning(word) if cut else ()):
        return replace(found, meanings=(*found.meanings, *parts))
    return replace(found, unknown=(*found.unknown, token))


def _said_form(phrase: str) -> str:
    """Give the form of "as CaCO3" or "calcium carbonate"; any other name may be the substance itself."""
    form, stated = vocabulary.form(phrase), vocabulary.stated_form(phrase)
    if form:
        return form if form == _AS_CARBONATE else ""
    return stated


def _of_number(number: str, found: _Words) -> _Words:
    if number in _END_POINTS:
        return replace(found, meanings=(*found.meanings, (_END_POINTS[number],)))
    if number in _AT:
        return replace(found, meanings=(*found.meanings, ("at",)), at=(*found.at, _AT[number]))
    return replace(found, unknown=(*found.unknown, number))


def _of_words(words: _Words) -> Name | None:
    """Find the one name that uses all the words."""
    if len(set(words.forms)) > 1 or len(set(words.at)) > 1:
        return None
    found: dict[Name, int] = {}
    for number, reading in enumerate(product(*words.meanings)):
        if number >= _READINGS_AT_MOST:
            return None
        if best := _best(frozenset(reading), words):
            found[best[0]] = max(best[1], found.get(best[0], 0))
    most = max(found.values(), default=0)
    best_names = [name for name, size in found.items() if size == most]
    return best_names[0] if len(best_names) == 1 else None


def _best(reading: frozenset[str], words: _Words) -> tuple[Name, int] | None:
    """Give the name of one choice of meanings, and how many of them it needs."""
    elements = {meaning.removeprefix("element ") for meaning in reading if meaning.startswith("element ")}
    rest = frozenset(meaning for meaning in reading if not meaning.startswith("element "))
    named, form, known = _with_element(rest)
    fitting = [rule for rule in name_rules() if rule.needed <= named and named - rule.needed <= rule.allowed]
    if not fitting:
        return None
    most = max(len(rule.needed) for rule in fitting)
    rule, *others = [rule for rule in fitting if len(rule.needed) == most]
    if others:
        return None
    for element in elements:
        said, substances = COUNTED_AS[element]
        if not substances or rule.meaning.code.removesuffix("_nitrite") not in substances:
            return None
        form = said
    meaning = _stated(rule.meaning, form, words)
    return (Name(meaning, not reading.isdisjoint(_STATISTICS)), len(rule.needed) + known) if meaning else None


def _with_element(named: frozenset[str]) -> tuple[frozenset[str], str, int]:
    """Take "nitrogen" beside "nitrate" for what the nitrate is counted as, "ammonia as NH3" for one substance."""
    substances = {meaning.partition(" as ")[0] for meaning in named}
    for element, (form, counted) in COUNTED_AS.items():
        if element in named and substances & {*counted}:
            return frozenset(meaning.partition(" as ")[0] for meaning in named - {element}), form, 1
    return named, "", 0


def _stated(meaning: Meaning, form: str, words: _Words) -> Meaning | None:
    """Add what the words say of a quantity; None where they say what it cannot have."""
    said = {*words.forms, form} - {""}
    if len(said) > 1 or (said and (meaning.kind != "analyte" or meaning.code in _NO_SUBSTANCE)):
        return None
    meaning = replace(meaning, basis=said.pop() if said else meaning.basis)
    if not words.at:
        return meaning
    at = words.at[0]
    if meaning.code == "conductivity" and at in ("20", "25"):
        return replace(meaning, ec_reference=f"{at} °C")
    if meaning.tds_scale == "dried" and at not in ("20", "25"):
        return replace(meaning, tds_scale=f"dried at {at} °C")
    return None
