"""The words of the pages: English as they stand in the templates, and what they are in other languages."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path
from typing import Final

LABELS_FOLDER: Final = Path(__file__).parent / "languages"
DESK_LANGUAGES: Final = ("en", "de")


@cache
def dictionary(language: str) -> dict[str, str]:
    """Give English → the words of a language; nothing for English itself."""
    if language == "en":
        return {}
    with (LABELS_FOLDER / f"{language}.csv").open(encoding="utf-8", newline="") as lines:
        return {row["en"]: row[language] for row in csv.DictReader(lines)}


def spoken(language: str) -> str:
    """Choose the language of the pages: the one that is set where the desk speaks it, else English."""
    return language if language in DESK_LANGUAGES else "en"


def label_in(text: str, language: str, /, **values: object) -> str:
    """Give a text in a language, with its values filled in; what is not in the dictionary stays English.

    Example
    -------
    >>> label_in("{n} of {total} that wait", "de", n=3, total=40)
    '3 von 40 offenen'
    """
    return dictionary(language).get(text, text).format(**values) if values else dictionary(language).get(text, text)
