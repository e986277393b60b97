"""Headings as people write them, in eight languages: what they say, taken without any layout.

The spellings are common practice in laboratory reports, meter exports, kit sheets and databases; how many of them are
understood is written in ``README.md`` beside this file and held here.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

import pytest

from pipeline.ingest.headings import read_heading

_CORPUS: Final = Path(__file__).with_name("spellings.csv")
_SCALES: Final = ("NaCl scale", "KCl scale", "natural-water scale")
with _CORPUS.open(encoding="utf-8", newline="") as opened:
    SPELLINGS: Final = list(csv.DictReader(opened))


def understood(row: dict[str, str]) -> tuple[str, ...]:
    """Give what a heading says: quantity, field or role; unit; form; reference temperature or scale; affix."""
    heading = read_heading(row["heading"])
    meaning = heading.chosen(frozenset(filter(None, row["beside"].split(";"))))
    if meaning is None:
        return ("", "", "", "", "")
    stated = meaning.ec_reference.removesuffix(" °C") or meaning.tds_scale.removeprefix("dried").strip(" at°C")
    reference = meaning.tds_scale if meaning.tds_scale in _SCALES else heading.at or stated
    return (meaning.code, heading.unit, heading.basis or meaning.basis, reference, heading.affix)


def expected(row: dict[str, str]) -> tuple[str, ...]:
    return tuple(row[name] for name in ("expected", "unit", "form", "reference", "affix"))


def test_the_corpus_has_four_hundred_spellings_in_eight_languages() -> None:
    languages = {language: sum(row["language"] == language for row in SPELLINGS) for language in ("en", "de", "fr")}
    others = {
        language: sum(row["language"] == language for row in SPELLINGS) for language in ("it", "es", "nl", "ja", "zh")
    }

    assert len({(row["heading"], row["beside"]) for row in SPELLINGS}) >= 400
    assert min((languages | others).values()) >= 40


@pytest.mark.common_practice
def test_no_heading_is_taken_for_something_else() -> None:
    """A heading that is not understood waits for an answer; one taken for another quantity is a wrong result."""
    wrong = {row["heading"]: understood(row)[0] for row in SPELLINGS if understood(row)[0] not in ("", row["expected"])}

    assert wrong == {}


@pytest.mark.common_practice
def test_nearly_all_headings_are_understood_in_full() -> None:
    missed = {row["heading"]: understood(row) for row in SPELLINGS if understood(row) != expected(row)}

    assert len(missed) / len(SPELLINGS) <= 0.01, missed
