"""What is said above a table and holds for all of it: facts of the samples, what a drop is worth, a unit, a year."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline.ingest.drop_worths import kit_stated
from pipeline.ingest.headings import read_heading
from pipeline.ingest.sampling_columns import names_sampling
from pipeline.ingest.spellings import heading_words, key, word_keys
from pipeline.notation.grammar import carries_form, read_unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_LONGEST: Final = 25  # words of a sentence about units
_UNIT_WORDS: Final = 4  # of the longest unit, with its form
_FIELD_WORDS: Final = 3  # of the longest name of a fact
_NAME_WORDS: Final = 6  # of the longest name of a client
_DAY: Final = re.compile(r"\d{1,4}[-./年]\s?\d{1,2}\b|\d{1,2}\.?\s+[^\W\d]{3,}\.?\s+(?:19|20)\d\d")
_YEAR: Final = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)")
# Facts whose name may stand before them without a colon: "Besuch 12.03.2026", "Kunde Hotel Post", "Bericht 4711".
_WITHOUT_COLON: Final = ("collected_on", "client", "operator", "report_id")


class StatedUnit(NamedTuple):
    """A unit that a sentence above a table states for its values: the row of the sentence, its words, the unit."""

    row: int
    text: str
    unit: str


def stated_above(rows: Sequence[Sequence[str]]) -> dict[str, str]:
    """Collect "Probe: 17", "Probe" beside "17", "Besuch 12.03.2026" and "1 drop = 1 °dH"; the first statement counts.

    Example
    -------
    >>> stated_above([["Client: North"], ["Visit 12.03.2026"], ["1 drop = 1 °dH in 5 mL"]])["collected_on"]
    '12.03.2026'
    """
    facts: dict[str, str] = {}
    for cells in rows:
        for number, cell in enumerate(cells):
            for name, value in kit_stated(cell).items():
                facts.setdefault(name, value)
            if said := _fact(cells, number):
                facts.setdefault(*said)
                break
    return facts


def _fact(cells: Sequence[str], number: int) -> tuple[str, str] | None:
    """Read a cell as the name of a fact, with what stands behind its colon, beside it or behind its name."""
    name, colon, stated = cells[number].partition(":")
    meaning = read_heading(name.strip()).chosen()
    if meaning is None or meaning.kind != "field":
        return _without_colon(cells[number]) if sum(map(bool, cells)) == 1 else None
    beside = next((other for other in cells[number + 1 :] if other), "")
    value = stated.strip() or (beside if number == 0 or colon else "")
    return (meaning.code, value) if value and not _is_period(meaning.code, value) else None


def _is_period(field: str, value: str) -> bool:
    """Tell "Okres: I kwartał 2026", a period in Polish, from the district that the word is in Czech."""
    return field == "region" and _YEAR.search(value) is not None


def _without_colon(cell: str) -> tuple[str, str] | None:
    """Read "Besuch 12.03.2026" or "Kunde Hotel Post", alone in their row."""
    words = cell.split()
    for size in range(min(_FIELD_WORDS, len(words) - 1), 0, -1):
        name, rest = " ".join(words[:size]), " ".join(words[size:])
        meaning = read_heading(name).chosen()
        field = meaning.code if meaning is not None and meaning.kind == "field" else ""
        field = "collected_on" if names_sampling(name) else field
        if field in _WITHOUT_COLON:
            return (field, rest) if _says(field, rest) else None
    return None


def _says(field: str, text: str) -> bool:
    """Tell whether words behind the name of a fact can be what it is."""
    if field == "collected_on":
        return _DAY.match(text) is not None
    if field == "report_id":
        return any(sign.isdigit() for sign in text) and " " not in text
    return text[:1].isupper() and len(text.split()) <= _NAME_WORDS and not text.endswith((".", "!", "?"))


def stated_unit(rows: Sequence[Sequence[str]]) -> StatedUnit | None:
    """Find the one unit of concentration that is said to be that of all values; None where there is none, or two.

    Example
    -------
    >>> stated_unit([["Alle Angaben in mg/l, sofern nicht anders angegeben"]]).unit
    'mg/l'
    >>> stated_unit([["Nitrate in mg/l"]]) is None
    True
    """
    found = [
        StatedUnit(row, cell, unit) for row, cells in enumerate(rows) for cell in cells if cell for unit in _units(cell)
    ]
    meant = {read_unit(one.unit) for one in found}
    return found[0] if len({(one.codes, one.form) for one in meant if one is not None}) == 1 else None


def _units(sentence: str) -> tuple[str, ...]:
    """Give the units of concentration in a sentence about all values, () in any other."""
    words = sentence.replace("：", ": ").split()
    if len(words) > _LONGEST or _value_words().isdisjoint(_said(sentence)):
        return ()
    return tuple(_concentrations([word.strip(",;:()[]【】（）、，") for word in words]))


def _said(sentence: str) -> set[str]:
    """Give the words of a sentence; of a script without blanks those of the list that stand in it."""
    folded = key(sentence)
    return {*folded.split()} | {word for word in _value_words() if not word.isascii() and word in folded}


@lru_cache(maxsize=1)
def _value_words() -> frozenset[str]:
    return frozenset(word_keys(heading_words()["words for all values"], "de"))


def _concentrations(words: Sequence[str]) -> Iterator[str]:
    place = 0
    while place < len(words):
        for size in range(min(_UNIT_WORDS, len(words) - place), 0, -1):
            phrase = " ".join(words[place : place + size])
            found = read_unit(phrase) if words[place] else None
            if found is not None and found.codes and carries_form(found.codes):
                yield f"{found.written} {found.form}".strip()
                place += size - 1
                break
        place += 1


def year_above(rows: Sequence[Sequence[str]]) -> str:
    """Give the one year that stands above a table, "" where none does, or several do.

    Example
    -------
    >>> year_above([["Trinkwasseranalyse 2025"], [""]]), year_above([["2024 and 2025"]])
    ('2025', '')
    """
    years = {year for cells in rows for cell in cells for year in _YEAR.findall(cell)}
    return years.pop() if len(years) == 1 else ""
