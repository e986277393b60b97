"""The table of spellings (``schemas/headings.json``) and how spellings are compared."""

from __future__ import annotations

import json
import re
import unicodedata
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import schemas

_TABLE: Final = Path(schemas.__file__).with_name("headings.json")
_NOT_WORD: Final = re.compile(r"[^0-9A-Za-z]+")
_GERMAN: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})


@lru_cache(maxsize=1)
def heading_words() -> dict[str, Any]:
    """Load the table once."""
    loaded: dict[str, Any] = json.loads(_TABLE.read_text(encoding="utf-8"))
    return loaded


@lru_cache(maxsize=16384)
def exact_key(text: str) -> str:
    """Fold everything but the case: compatibility forms, accents, blanks and punctuation.

    Example
    -------
    >>> exact_key(" Mg²⁺ ")
    'Mg2'
    """
    if text.isascii():
        return _NOT_WORD.sub(" ", text).strip()
    composed = unicodedata.normalize("NFKC", text)
    # Only Latin accents go; the voiced marks of Japanese (U+3099) carry meaning.
    bare = "".join(sign for sign in unicodedata.normalize("NFD", composed) if not "\u0300" <= sign <= "\u036f")
    folded = unicodedata.normalize("NFC", bare)
    return " ".join("".join(sign if sign.isalnum() else " " for sign in folded).split())


def key(text: str) -> str:
    r"""Fold a spelling for comparison.

    Example
    -------
    >>> key("Säurekapazität bis pH\n4,3")
    'saurekapazitat bis ph 4 3'
    """
    return exact_key(text).casefold()


def word_keys(words: list[str], language: str = "") -> set[str]:
    """Give the keys of a list of words; German words also with ae, oe, ue."""
    keys = {key(word) for word in words}
    if language == "de":
        keys |= {key(word.casefold().translate(_GERMAN)) for word in words}
    return keys - {""}


@lru_cache(maxsize=8)
def word_table(name: str) -> dict[str, str]:
    """Give a list of words by meaning (stages, activities, methods, …) as key → meaning."""
    by_meaning: dict[str, list[str]] = heading_words()[name]
    return {folded: meaning for meaning, words in by_meaning.items() for folded in word_keys(words, "de")}
