"""Lines that state something: "Sample no.: W-4471", "Calcium ......... 82,4 mg/l"."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.ingest.headings import read_heading
from pipeline.ingest.unit_text import split_unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.ingest.pdf.lines import TextLine

_LEADER: Final = re.compile(r"\s*(?:[.·…_]\s?){3,}\s*")  # dots that lead the eye from a name to its value
_RESULT: Final = re.compile(
    r"^(?P<value>(?:[<>≤≥~]\s*)?[-+−]?\d[\d.,'’]*(?:\s?±\s?\d[\d.,]*)?"
    r"|n\.?\s?n\.?|n\.?\s?d\.?|not detected|nicht nachweisbar|non détecté|non rilevabile|no detectado)(?=$|[\s(;,])"
)
_BEGINS: Final = re.compile(r"(?:(?<=[\s:=])|^)(?=[<>≤≥~]|[-+−]?\d)")  # where a value may begin
_SIGNS: Final = ("<", ">", "≤", "≥", "~", "±")  # that belong to the number behind them
_LONGEST_UNIT: Final = 5  # words


@dataclass(frozen=True)
class Result:
    """A result that a line states: name, value, unit as written, what else stands there; whether it is ``known``."""

    line: int
    name: str
    value: str
    unit: str
    rest: str
    known: bool


def results(line: TextLine) -> list[Result]:
    """Read the result that a line states: of a known quantity, or of anything with a unit behind its number."""
    parts = _LEADER.split(line.text, maxsplit=1)
    if len(parts) == 2:  # noqa: PLR2004 - a name and what the dots lead to
        offered = [(parts[0], parts[1])]
    else:
        offered = [(line.text[: begin.start()], line.text[begin.start() :]) for begin in _BEGINS.finditer(line.text)]
    read = [_result(line.number, name.strip(" :=\t"), stated.strip()) for name, stated in offered if name]
    found = [result for result in read if result is not None]
    # "Conductivity at 20 °C: 455": the number behind the longest name that is known.
    return sorted(found, key=lambda result: (result.known, len(result.name) if result.known else 0))[-1:]


def _result(line: int, name: str, stated: str) -> Result | None:
    value = _RESULT.match(stated)
    if value is None or name.endswith(_SIGNS) or not any(sign.isalpha() for sign in name):
        return None
    unit, rest = _unit(stated[value.end() :].strip())
    meaning = read_heading(name).chosen()
    known = meaning is not None and meaning.kind == "analyte"
    if not known and (not unit or meaning is not None):
        return None
    return Result(line, name, value["value"], unit, rest, known=known)


def _unit(text: str) -> tuple[str, str]:
    """Take the longest unit that a text begins with, and what stands behind it."""
    words = text.split()
    for count in range(min(_LONGEST_UNIT, len(words)), 0, -1):
        written = " ".join(words[:count]).rstrip(",;")
        found = split_unit(written)
        if found is not None and found.unit:
            return written, " ".join(words[count:])
    return "", text


def facts(cells: Sequence[str]) -> Iterator[tuple[str, str, str]]:
    """Find what a row of phrases states of the sample: field, name as written, text.

    A name ends with a colon, or its text stands in the next phrase. Rows with several statements are usual.
    """
    place = 0
    while place < len(cells):
        name, colon, stated = (part.strip() for part in cells[place].partition(":"))
        meaning = read_heading(name).chosen()
        place += 1
        if meaning is None or meaning.kind != "field":
            continue
        if not stated and place < len(cells) and (colon or not _is_field(cells[place])):
            stated = cells[place].strip(": ")
            place += 1
        if stated:
            yield meaning.code, name, stated


def _is_field(text: str) -> bool:
    meaning = read_heading(text.partition(":")[0].strip()).chosen()
    return meaning is not None and meaning.kind == "field"
