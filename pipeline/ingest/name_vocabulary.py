"""The words that names are made of (``schemas/name_words.json``), their endings and compounds, and what they name."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import schemas
from pipeline.ingest.meanings import Meaning, as_meaning
from pipeline.ingest.spellings import exact_key, heading_words, key, word_keys
from pipeline.notation import vocabulary
from pipeline.notation.signs import fold

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

_TABLE: Final = Path(schemas.__file__).with_name("name_words.json")
_PART: Final = 3  # letters of the shortest word of a compound
_INFLECTED: Final = 5  # letters of the shortest word that takes endings
_CUT_WORD: Final = 4
_OF_FIELDS: Final = frozenset({"filler"})  # "total" and "mean" are said of quantities alone
_LINKS: Final = ("", "s", "n", "en", "er")
# What an element named beside a substance says: "nitrate nitrogen" is nitrate as N.
COUNTED_AS: Final = {
    "n": ("as N", ("nitrate", "nitrite", "ammonium")),
    "nitrogen": ("as N", ("nitrate", "nitrite", "ammonium")),
    "p": ("as P", ("phosphate",)),
    "phosphorus": ("as P", ("phosphate",)),
    "si": ("as Si", ("silica",)),
    "s": ("as S", ("sulfate",)),
}


@dataclass(frozen=True)
class NameRule:
    """Which meanings of words together name what: all that are needed, any that are allowed, no other."""

    needed: frozenset[str]
    allowed: frozenset[str]
    meaning: Meaning


@cache
def _table() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(_TABLE.read_text(encoding="utf-8"))
    return loaded


@cache
def _known_words() -> Mapping[str, tuple[str, ...]]:
    """Give the meanings of every word and phrase, in number and gender; those of a written form go before."""
    written: dict[str, tuple[str, ...]] = {}
    for meaning, words in _listed():
        for word in word_keys(words, "de") | {w for w in words if w == "+"}:
            written[word] = tuple(dict.fromkeys((*written.get(word, ()), meaning)))
    bent: dict[str, tuple[str, ...]] = {}
    for word, meanings in written.items():
        for other in _inflected(word):
            if other not in written:
                bent[other] = tuple(dict.fromkeys((*bent.get(other, ()), *meanings)))
    return bent | written


def _listed() -> Iterator[tuple[str, list[str]]]:
    """Give the words of the table, and the one-word names of substances in the table of spellings."""
    yield from _table()["words"].items()
    for field, meaning in _PLACES.items():
        yield meaning, [word for word in _spellings_of(field) if " " not in key(word)]
    composed = {rule["analyte"] for rule in _table()["names"] if "analyte" in rule} - _SUBSTANCES
    for group in heading_words()["groups"]:
        analyte = group.get("analyte", "")
        if not analyte or analyte in composed or "beside" in group or "unit" in group:
            continue
        code = f"{analyte} {group.get('basis', '')}".strip()
        words = (word for language, listed in group["headings"].items() if language != "code" for word in listed)
        yield code, [word for word in words if " " not in key(word)]


def _spellings_of(field: str) -> Iterator[str]:
    """Give the spellings of a row field that hold in every table."""
    for group in heading_words()["groups"]:
        if group.get("field") == field and "beside" not in group:
            yield from (word for listed in group["headings"].values() for word in listed)


# Words that name a place by themselves; a name or a number may stand with them ("GEMEINDE_NAME", "Messstelle Nr").
_PLACES: Final = {"site": "place", "sampling_point": "tap"}
# Substances that also stand in names of other quantities ("bicarbonate alkalinity").
_SUBSTANCES: Final = {"bicarbonate", "carbonate", "hydroxide", "silica"}


def _inflected(word: str) -> Iterable[str]:
    """Put the endings of number and gender on a word of a European language."""
    if len(word) < _INFLECTED or not word.isascii():
        return ()
    stem, last = word[:-1], word[-1]
    if last == "o":
        return (f"{stem}{ending}" for ending in ("a", "os", "as", "i", "e"))
    if last == "a":
        return (f"{word}s", f"{stem}e")
    if last in "ei":
        return (f"{word}s", f"{word}n", f"{word}e", f"{word}es")
    return (f"{word}{ending}" for ending in ("s", "e", "es", "en"))


@cache
def _exact_symbols() -> Mapping[str, str]:
    """Give the substances of symbols whose capital letters count ("Na")."""
    groups = [group for group in heading_words()["groups"] if "analyte" in group and "beside" not in group]
    return {
        exact_key(word): f"{group['analyte']} {group.get('basis', '')}".strip()
        for group in groups
        for word in group.get("exact", ())
        if group["analyte"] != "temperature"
    }


@cache
def name_rules() -> tuple[NameRule, ...]:
    """Give the rules of the table, and one for each substance that has none there."""
    anywhere = frozenset(_table()["fillers"])
    rules = [
        NameRule(
            frozenset(rule["of"]),
            (anywhere if "analyte" in rule else _OF_FIELDS) | frozenset(rule.get("may", ())),
            as_meaning(rule),
        )
        for rule in _table()["names"]
    ]
    ruled = {rule.needed for rule in rules}
    for code in dict.fromkeys((*(code for code, _ in _listed()), *_exact_symbols().values())):
        if code not in _table()["words"] and frozenset({code}) not in ruled:
            analyte, _, basis = code.partition(" ")
            rules.append(NameRule(frozenset({code}), anywhere, Meaning("analyte", analyte, basis=basis)))
    return tuple(rules)


def word_meanings(phrase: str) -> tuple[str, ...]:
    """Give the meanings of a word or phrase; a symbol in its own capital letters has one."""
    if symbol := _exact_symbols().get(phrase):
        return (symbol, f"element {key(phrase)}") if key(phrase) in COUNTED_AS else (symbol,)
    word = key(phrase)
    known = _known_words().get(word or phrase, ())
    return (*known, f"element {word}") if word in COUNTED_AS else known


@lru_cache(maxsize=8192)
def compound(word: str) -> tuple[tuple[str, ...], ...]:
    """Take a compound apart: "Gesamthärte", "总硬度"; () unless known words make up all of it."""
    shortest = _PART if word.isascii() else 1
    for end in range(len(word) - shortest, shortest - 1, -1):
        head = _known_words().get(word[:end])
        if head is None:
            continue
        for link in _LINKS if word.isascii() else ("",):
            rest = word[end + len(link) :]
            if not word[end:].startswith(link) or len(rest) < shortest:
                continue
            if tail := _known_words().get(rest):
                return head, tail
            if further := compound(rest):
                return head, *further
    return ()


def only_beginning(word: str) -> tuple[tuple[str, ...], ...]:
    """Give the meanings of the only word that begins so, for a name cut at its end."""
    if len(word) < _CUT_WORD:
        return ()
    begun = {meanings for known, meanings in _known_words().items() if known.startswith(word) and " " not in known}
    return tuple(begun) if len(begun) == 1 else ()


@cache
def accompanying_words() -> frozenset[str]:
    """Give the words that stand in headings beside a name: units, forms, stages, kits, what was done to the sample."""
    tables = (vocabulary.unit_words(), *(heading_words()[name] for name in ("affixes", "stages", "fractions")))
    texts = (*_texts(tables), *_texts(list(_table()["words"].values())))
    return frozenset(word for text in texts for word in (*key(text).split(), *re.findall(r"[^\W_]+", fold(text).text)))


def _texts(value: object) -> Iterator[str]:
    """Give every text within lists and tables."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from value
        yield from _texts(list(value.values()))
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _texts(one)
