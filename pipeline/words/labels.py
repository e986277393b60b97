"""The words of pages and screens: English as they stand in the templates, and what they are in other languages."""

from __future__ import annotations

import csv
from functools import cache
from typing import Final

from pipeline.words import FOLDER

LABEL_LANGUAGES: Final = ("en", "de")


@cache
def labels(language: str) -> dict[str, str]:
    """Give English → the words of a language; nothing for English itself."""
    if language == "en":
        return {}
    with (FOLDER / "judgement" / f"labels_{language}.csv").open(encoding="utf-8", newline="") as lines:
        return {row["en"]: row[language] for row in csv.DictReader(lines)}


def spoken(language: str) -> str:
    """Choose the language of pages and screens: the one that is set where they have it, else English."""
    return language if language in LABEL_LANGUAGES else "en"


def label_in(text: str, language: str, /, **values: object) -> str:
    """Give a text in a language, with its values filled in; what is not in the table stays English.

    Example
    -------
    >>> label_in("{n} of {total} that wait", "de", n=3, total=40)
    '3 von 40 offenen'
    """
    known = labels(spoken(language)).get(text, text)
    return known.format(**values) if values else known


def grouped(number: int, language: str) -> str:
    """Write a whole number with the mark of the language between its thousands."""
    amount = f"{number:,}"
    return amount.replace(",", ".") if spoken(language) == "de" else amount


def plural_in(number: int, one: str, many: str, language: str, **values: object) -> str:
    """Say a sentence about {n} things: ``one`` where it is a single one, else ``many``.

    Example
    -------
    >>> plural_in(1200, "{n} sample waits", "{n} samples wait", "de")
    '1.200 Proben warten'
    """
    return label_in(one if number == 1 else many, language, n=grouped(number, language), **values)


def counted_in(number: int, noun: str, language: str, plural: str = "") -> str:
    """Write a number with its noun, singular or plural: "1 file", "3 Dateien".

    Example
    -------
    >>> counted_in(1, "file", "de"), counted_in(1200, "file", "en")
    ('1 Datei', '1,200 files')
    """
    return plural_in(number, f"{{n}} {noun}", f"{{n}} {plural or noun + 's'}", language)
