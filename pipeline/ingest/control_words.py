"""Blanks, standards, duplicates and spikes, known by the words of a label, a sampling point or a column of kinds.

A control is no water: nobody drinks it, and its readings judge the laboratory. Some words say so wherever they
stand ("field blank", "Blindwert"). Others are names of people and places as well ("Blanc", "Standard", "Buffer
tank"): they count where every other word of the text belongs to a control too.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from pipeline.ingest.headings import read_heading
from pipeline.ingest.spellings import heading_words, key, word_keys, word_table
from pipeline.texts import first_stated
from schemas.columns import CONTROLS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.texts import TextColumn

_UNSPACED: Final = re.compile(r"[\u3040-\u30ff\u4e00-\u9fff]")  # Japanese and Chinese write no blanks
_OWN_MARK: Final = 1  # letters of a mark such as "A", which may stand beside a control


def control_kind(text: str, *, of_kinds: bool = False) -> str:
    """Give the kind of control that a text names, "" where it names none.

    Parameters
    ----------
    text : a label, a sampling point, or what a column of kinds says.
    of_kinds : the text stands in a column that says what kind of sample each row is; there any of the words counts.

    Example
    -------
    >>> control_kind("Feldblindwert 3"), control_kind("S-12 dup"), control_kind("Mont Blanc")
    ('blank', 'duplicate', '')
    """
    words = tuple(key(text).split())
    if not words:
        return ""
    kinds = _anywhere(words) | _at_the_end(words)
    known = _names() | _in_columns() if of_kinds else _names()
    kinds |= {
        kind
        for kind, first, end in _phrases(words, known)
        if of_kinds or all(_goes_with(word) for word in (*words[:first], *words[end:]))
    }
    return next((kind for kind in _STRONGEST if kind in kinds), "")


# A spiked duplicate is a spike; the duplicate of a blank tells of repeatability.
_STRONGEST: Final = ("spike", "duplicate", "blank", "standard")


def control_kinds(texts: TextColumn, *, of_kinds: bool = False) -> TextColumn:
    """Give the kind of control of every text; only those that hold one of the words are asked."""
    return texts.meant(_any_word(), lambda text: control_kind(text, of_kinds=of_kinds))


def derived_controls(stated: Mapping[str, TextColumn]) -> tuple[TextColumn, TextColumn]:
    """Tell the controls among rows that state no kind by the words of label and sampling point, and which said so."""
    return first_stated(
        {"label": control_kinds(stated["label"]), "sampling point": control_kinds(stated["sampling_point"])}
    )


def _anywhere(words: tuple[str, ...]) -> set[str]:
    """Find the kinds whose words can mean nothing else, compounds with them among these."""
    table = _control_words()
    found = {kind for kind, _, _ in _phrases(words, table["anywhere"])}
    for word in words:
        found |= {kind for ending, kind in table["endings"].items() if word.endswith(ending)}
        if _UNSPACED.search(word):
            found |= {kind for part, kind in table["anywhere"].items() if _UNSPACED.search(part) and part in word}
    return found


def _at_the_end(words: tuple[str, ...]) -> set[str]:
    """Find the kinds that stand behind the name of a sample: "S-12 dup", "KD-014 spike 2"."""
    size = len(words)
    while size > 1 and words[size - 1].isdigit():
        size -= 1
    return {kind for kind, first, end in _phrases(words[:size], _control_words()["last"]) if first and end == size}


def _phrases(words: tuple[str, ...], known: Mapping[str, str]) -> set[tuple[str, int, int]]:
    """Give kind, first and end of every phrase of ``known`` among the words."""
    return {
        (kind, first, end)
        for first in range(len(words))
        for end in range(first + 1, len(words) + 1)
        if (kind := known.get(" ".join(words[first:end])))
    }


@lru_cache(maxsize=4096)
def _goes_with(word: str) -> bool:
    """Tell whether a word may stand beside that of a control: a number, a mark, a unit, a quantity, "lab", "lot"."""
    if len(word) == _OWN_MARK or any(sign.isdigit() for sign in word) or word in _control_words()["beside"]:
        return True
    meaning = read_heading(word).chosen()
    return word in _names() or (meaning is not None and meaning.kind == "analyte")


@lru_cache(maxsize=1)
def _control_words() -> dict[str, dict[str, str]]:
    """Give the words of each place by their folded form, with the kind that each means."""
    table = heading_words()["controls"]
    return {
        place: {folded: kind for kind, words in by_kind.items() for folded in word_keys(words, "de")}
        for place, by_kind in table.items()
    }


@lru_cache(maxsize=1)
def _names() -> dict[str, str]:
    """Give the words that name a control where nothing else speaks for a water."""
    return {word: kind for word, kind in word_table("activities").items() if kind in CONTROLS}


@lru_cache(maxsize=1)
def _in_columns() -> dict[str, str]:
    return _control_words()["in a column of kinds"]


@lru_cache(maxsize=1)
def _any_word() -> str:
    """Build one pattern that every text with a control in it matches, and few others."""
    table = heading_words()["controls"]
    written = {word for kind, words in heading_words()["activities"].items() if kind in CONTROLS for word in words}
    for place in ("anywhere", "last", "endings", "in a column of kinds"):
        written |= {word for words in table[place].values() for word in words}
    firsts = {re.split(r"[ '’/-]", word.casefold())[0] for word in written}
    firsts |= {folded.split()[0] for folded in word_keys(sorted(written), "de")}
    return "|".join(sorted(map(re.escape, firsts)))
