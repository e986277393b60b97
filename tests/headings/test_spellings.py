"""Headings as people write them, in fourteen languages: what they say, taken without any layout.

The spellings are common practice in laboratory reports, meter exports, kit sheets and databases; how many of them are
understood is written in ``README.md`` beside this file and held here.
"""

from __future__ import annotations

import csv
from itertools import product
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


_NAMES: Final = {
    "Hardness": "total_hardness",
    "Dureté": "total_hardness",
    "硬度": "total_hardness",
    "Alkalinity": "alkalinity",
    "Chloride": "chloride",
    "Sulfato": "sulfate",
    "TDS": "tds",
}
_UNITS: Final = ("mg/L", "mg L-1", "mg_L", "MG/L", "ppm", "mmol/L", "g/m3")
_WORDS: Final = ("total", "lab", "dissolved", "measured", "calc.")
_ORDERS: Final = (
    "{name} ({unit}, {word})",
    "{name} ({word}, {unit})",
    "{name} ({unit} {word})",
    "{name}_{unit}_{word}",
    "{word}_{unit}_{name}",
    "{unit} {name} {word}",
    "{name}: {unit}; {word}",
    "{name} {word} ({unit}",
)


def test_the_letters_of_a_unit_are_no_words_of_a_name_wherever_they_stand() -> None:
    """The "mg" of "Hardness (mg/L, total)" is no magnesium: such a heading is read with its unit, or not at all."""
    read = {
        text: (code, heading)
        for name, code in _NAMES.items()
        for unit, word, order in product(_UNITS, _WORDS, _ORDERS)
        if (heading := read_heading(text := order.format(name=name, unit=unit, word=word))).chosen() is not None
    }

    wrong = {text: heading for text, (code, heading) in read.items() if heading.meanings[0].code != code}
    assert wrong == {}
    assert [text for text, (_, heading) in read.items() if not heading.unit] == []
    assert len(read) >= len(_NAMES) * len(_UNITS) * len(_WORDS)
