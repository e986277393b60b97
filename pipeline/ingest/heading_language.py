"""The language that the headings of a table are in, where their words belong to one that writes the day first."""

from __future__ import annotations

from collections import Counter
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from pipeline.ingest.spellings import heading_words, key, word_keys

if TYPE_CHECKING:
    from collections.abc import Iterable

# Languages in which 03/02/2026 is the third of February [CP]; Swedish writes the year first.
_DAY_FIRST: Final = {
    "de": "German",
    "fr": "French",
    "it": "Italian",
    "es": "Spanish",
    "nl": "Dutch",
    "pt": "Portuguese",
    "pl": "Polish",
    "cs": "Czech",
    "da": "Danish",
    "no": "Norwegian",
}


@lru_cache(maxsize=1)
def _languages() -> dict[str, frozenset[str]]:
    """Give the languages of every spelling of a row field, folded."""
    found: dict[str, frozenset[str]] = {}
    for group in heading_words()["groups"]:
        for language, words in group["headings"].items() if "field" in group else ():
            for word in word_keys(words, language):
                found[word] = found.get(word, frozenset()) | {language}
    return found


def day_first_language(headings: Iterable[str]) -> str:
    """Name the language of most headings of row fields, "" where as many are English ("Date" is French, too).

    Example
    -------
    >>> day_first_language(["Datum", "Tijd", "Meetpunt"]), day_first_language(["Date", "Labor-Nr"])
    ('Dutch', '')
    """
    said = [_languages().get(key(heading), frozenset()) for heading in headings]
    count = Counter(language for languages in said for language in languages)
    english = count.pop("en", 0)
    (language, most), *_ = count.most_common(1) or [("", 0)]
    return _DAY_FIRST.get(language, "") if most > english else ""
