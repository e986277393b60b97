"""What is said to people about advice, retests and reports: one catalogue, one folder per language.

The stages that decide say *what* is to be said (:class:`Said`: a code and its numbers); only the edge
turns it into a sentence, in the language of the reader.
"""

from __future__ import annotations

import csv
import string
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pipeline.words.degrees import Degrees

FOLDER: Final = Path(__file__).parent
LANGUAGES: Final = ("en", "de", "fr", "it", "es")
DECIMAL_COMMA: Final = frozenset({"de", "fr", "it", "es"})
# Written out, or short where the month has no short form of three or four letters.
_MONTHS: Final = {
    "en": ("Jan", "Feb", "March", "April", "May", "June", "July", "Aug", "Sept", "Oct", "Nov", "Dec"),
    "fr": ("janvier", "février", "mars", "avril", "mai", "juin", "juillet", "août", "septembre", "octobre", "novembre",
           "décembre"),
    "it": ("gennaio", "febbraio", "marzo", "aprile", "maggio", "giugno", "luglio", "agosto", "settembre", "ottobre",
           "novembre", "dicembre"),
    "es": ("enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre", "octubre",
           "noviembre", "diciembre"),
}  # fmt: skip


@dataclass(frozen=True)
class Said:
    """Something to be said: the code of its sentence, and the values the sentence names.

    ``otherwise`` is the code of a more general sentence for a language that has none of ``code``.
    """

    code: str
    values: Mapping[str, object] = field(default_factory=dict)
    otherwise: str = ""


def say(said: Said, language: str = "en", degrees: Degrees | None = None) -> str:
    """Give the sentence in a language.

    Parameters
    ----------
    said : code and values; a value that is a ``Said`` itself is said first, a date is written as a day.
    language : one of ``LANGUAGES``.
    degrees : the unit in which the reader thinks of hardness; None leaves mg/L as CaCO3.

    Returns
    -------
    The sentence, with the decimal mark of the language.

    Raises
    ------
    KeyError : the code or the language is not in the catalogue, or a value is missing: a fault of the program.

    Example
    -------
    >>> say(Said("number", {"value": 1.5, "unit": "mg/L"}), "de")
    '1,5 mg/L'
    """
    values = {name: say(value, language) if isinstance(value, Said) else value for name, value in said.values.items()}
    known = sentences_of(language)
    code = said.otherwise if said.otherwise and said.code not in known else said.code
    quantity = said.values.get("quantity")
    template = known[code]
    if degrees is not None:
        named = quantity.code if isinstance(quantity, Said) else ""
        template, values = degrees.rewritten(template, values, named)
    return _Words(language).vformat(template, (), values)


def capitalised(text: str) -> str:
    """Begin with a capital, as a sentence does.

    Example
    -------
    >>> capitalised("the dates are not in order"), capitalised("pH and alkalinity contradict each other")
    ('The dates are not in order', 'pH and alkalinity contradict each other')
    """
    return text if text.startswith("pH") else f"{text[:1].upper()}{text[1:]}"


def question_of_check(check_id: str) -> Said:
    """Ask what settles a finding of a check."""
    return Said(f"checks.question.{check_id}", otherwise="checks.question.any")


def finding_for_client(check_id: str) -> Said:
    """Say to a client what a check found."""
    return Said(f"checks.client.{check_id}", otherwise="checks.client.any")


def day(when: date, language: str) -> str:
    """Write a day so that nobody takes the month for the day.

    Example
    -------
    >>> [day(date(2025, 7, 8), language) for language in LANGUAGES]
    ['8 July 2025', '08.07.2025', '8 juillet 2025', '8 luglio 2025', '8 de julio de 2025']
    """
    if language == "de":
        return f"{when:%d.%m.%Y}"
    number = {"fr": "1er", "it": "1°"}.get(language, "1") if when.day == 1 else str(when.day)
    return (" de " if language == "es" else " ").join([number, _MONTHS[language][when.month - 1], str(when.year)])


@cache
def sentences_of(language: str) -> dict[str, str]:
    """Give every sentence of a language by its code.

    Parameters
    ----------
    language : one of ``LANGUAGES``.

    Returns
    -------
    code -> text with ``{name}`` or ``{name:.1f}`` where a value goes.

    Raises
    ------
    KeyError : there is no such language, or a code stands twice.
    """
    if language not in LANGUAGES:
        raise KeyError(language)
    found: dict[str, str] = {}
    for path in sorted((FOLDER / language).glob("*.csv")):
        for code, text in _sentences(path):
            if code in found:
                raise KeyError(code)
            found[code] = text
    return found


def _sentences(path: Path) -> Iterator[tuple[str, str]]:
    """Read a table of sentences: code and text, or a key and several texts, each named by its column."""
    with path.open(encoding="utf-8", newline="") as lines:
        reader = csv.DictReader(lines)
        key, *columns = reader.fieldnames or ()
        for row in reader:
            for column in columns:
                if row[column]:
                    yield (row[key] if column == "text" else f"{path.stem}.{column}.{row[key]}"), row[column]


class _Words(string.Formatter):
    """Formats numbers and days as the language does."""

    def __init__(self, language: str) -> None:
        self._language = language
        self._comma = language in DECIMAL_COMMA

    def format_field(self, value: Any, format_spec: str) -> str:  # noqa: ANN401 - the base class's signature
        if isinstance(value, date):
            return day(value, self._language)
        text = str(super().format_field(value, format_spec))
        return text.replace(".", ",") if self._comma and isinstance(value, float) else text
