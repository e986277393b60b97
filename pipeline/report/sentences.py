"""Sentences that the stages made in English, in the language of the reader: found by the form they were made from."""

from __future__ import annotations

import csv
import re
from functools import cache
from typing import TYPE_CHECKING, Final

from pipeline.problem_catalogue import PROBLEMS
from pipeline.words import DECIMAL_COMMA, FOLDER, capitalised, sentences_of
from pipeline.words.labels import label_in
from schemas.columns import ANALYTES, COLUMNS, OTHER_ANALYTES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

WORDED: Final = ("en", "de")  # languages in which findings, causes, questions and problems are told
EVIDENCE, PROSE = "sentences", "prose"
_FIELD: Final = re.compile(r"\{(\w+)\}")
_POINT: Final = re.compile(r"(?<=\d)\.(?=\d)")
_QUANTITY, _SECOND = "quantity", "second"
_CLAUSES: Final = frozenset({"clauses", "rest"})
_WITH_BLANKS: Final = frozenset(
    {_QUANTITY, "change", "word", "words", "value", "unit", "units", "degrees", "treatment", "amount", "form", "forms",
     "detail", "place", "range", "what", "why", "reading", "machine", "stage", "called", "profile", "accepted",
     "refused", "answer", "samples", "sure", "second", "ion"}
)  # fmt: skip
_SAID_TOO: Final = frozenset({"change", "clauses", "word", "detail"})
_PROSE_TOO: Final = frozenset(
    {"rest", "place", "range", "word", "words", "why", "reading", "machine", "stage", "profile", "accepted", "refused",
     "form", "forms", "units", "samples", "sure", "one", "detail", "ion"}
)  # fmt: skip
_HARDNESS: Final = {"hardness": "total_hardness", "dissolved solids": "tds"}


def other_language(language: str) -> bool:
    """Tell whether sentences are to be said in a language of the tables that is not English."""
    return language in WORDED and language != "en"


def sentence_said(text: str, language: str) -> str:
    """Say a sentence of the catalogue of causes in another language; what is not in the catalogue stays as it is."""
    if not text or not other_language(language):
        return text
    whole = _translated(text, language, EVIDENCE)
    if whole is None:
        whole = ", ".join(_translated(clause, language, EVIDENCE) or clause for clause in text.split(", "))
    return decimal_marks(whole, language)


def prose_said(text: str, language: str) -> str:
    """Say what was worked out of a water, or asked about a column, in another language, clause by clause.

    Example
    -------
    >>> prose_said("Scale: brew at 95 °C 103 to 260 g per 1000 L, usually 183: heavy scale.", "de")
    'Kalk: Brühkessel bei 95 °C 103 bis 260 g je 1000 L, meist 183: viel Kalk.'
    """
    if not text or not other_language(language):
        return text
    for mark in ("? ", ". ", "; ", ", "):
        whole = _clause(text, language)
        if whole is not None:
            return decimal_marks(whole, language)
        if mark in text:
            return mark.join(prose_said(part, language) for part in text.split(mark))
    return decimal_marks(text, language)


def _clause(text: str, language: str) -> str | None:
    """Say one clause, whether a sentence begins with it or not, with its full stop."""
    bare = text.rstrip(".?")
    found = _translated(bare, language, PROSE)
    if found is None and bare[:1].isupper():
        small = _translated(f"{bare[:1].lower()}{bare[1:]}", language, PROSE)
        found = None if small is None else capitalised(small)
    return None if found is None else found + text[len(bare) :]


def problem_said(code: str, values: Mapping[str, str], language: str) -> str:
    """Say what is wrong with a cell or a file and what to do, in another language.

    Parameters
    ----------
    code : of the catalogue of problems.
    values : `raw_text column detail` of this one.
    language : of the reader, one that is not English.
    """
    what, remedy, _ = problem_table(language)[code]
    told = {**values, "detail": prose_said(values["detail"], language)}
    return f"{capitalised(what.format(**told))}. {remedy}  [{code}]"


def question_said(code: str, question: str, language: str) -> str:
    """Ask about a column in another language: the question of the catalogue, then what the file says of the answer."""
    if not other_language(language):
        return question
    asked = PROBLEMS[code].question if code in PROBLEMS else ""
    found = re.match(_pattern(asked, lambda _: ".+?") + r"(?: (?P<more>.+))?$", question) if asked else None
    if not asked or found is None:
        return prose_said(question, language)
    told = found.groupdict(default="")
    more, detail = prose_said(told.pop("more"), language), prose_said(told.get("detail", ""), language)
    said = problem_table(language)[code][2].format(**{**told, "detail": detail})
    return f"{said} {more}".strip()


def quantity_said(code: str, language: str) -> str:
    """Name a quantity."""
    known = ANALYTES[code].title if code in ANALYTES else OTHER_ANALYTES.get(code, code).replace("_", " ")
    if not other_language(language):
        return known
    return sentences_of(language).get(f"choose.quantity.{code}", label_in(known, language))


def quantity_meant(text: str, language: str) -> str:
    """Name a quantity that a sentence names in English."""
    return next((quantity_said(code, language) for code in _codes(text)), text)


def decimal_marks(text: str, language: str) -> str:
    """Write the numbers of a text with the decimal mark of a language."""
    return _POINT.sub(",", text) if language in DECIMAL_COMMA else text


@cache
def sentence_table(name: str, language: str) -> dict[str, str]:
    """Read a table of sentences: its first column is the key."""
    with (FOLDER / "judgement" / f"{name}_{language}.csv").open(encoding="utf-8", newline="") as lines:
        reader = csv.reader(lines)
        next(reader)
        return dict(reader)


def _translated(text: str, language: str, table: str) -> str | None:
    """Find the sentence that a text was made from, and fill that of the other language with what it says."""
    plain = sentence_table(table, language)
    if text in plain:
        return plain[text]
    for pattern, template in _patterns(language, table):
        if found := pattern.fullmatch(text):
            values = {name: _meant(name, value, language, table) for name, value in found.groupdict().items()}
            return template.format(**values)
    return None


def _meant(name: str, value: str, language: str, table: str) -> str:
    if name in (_QUANTITY, _SECOND):
        return quantity_meant(value, language)
    if table == PROSE:
        return sentence_said(prose_said(value, language), language) if name in _PROSE_TOO else value
    return sentence_said(value, language) if name in _SAID_TOO else value


def _codes(text: str) -> list[str]:
    wanted = text.strip().casefold()
    wanted = _HARDNESS.get(wanted, wanted)
    return [
        analyte.code
        for analyte in ANALYTES.values()
        if wanted in (analyte.title.casefold(), analyte.title.casefold().split(" at ")[0], analyte.code, analyte.column)
    ] + ([COLUMNS[text].code] if text in COLUMNS else [])


@cache
def _patterns(language: str, table: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    """Turn the English sentences with values into patterns, those with most words of their own first."""
    found = [
        (len(_FIELD.sub("", english)), re.compile(_pattern(english, _inside)), text)
        for english, text in sentence_table(table, language).items()
        if _FIELD.search(english)
    ]
    found.sort(key=lambda one: -one[0])
    return tuple((pattern, text) for _, pattern, text in found)


def _pattern(sentence: str, inside: Callable[[str], str]) -> str:
    """Write a sentence with {name} as a pattern; ``inside`` gives what may stand for a name."""
    parts = _FIELD.split(sentence)
    return "".join(f"(?P<{part}>{inside(part)})" if at % 2 else re.escape(part) for at, part in enumerate(parts))


def _inside(name: str) -> str:
    """Give the pattern of a value: several clauses, a word with blanks, or one number; a clause ends at a comma."""
    return ".+" if name in _CLAUSES else r"(?:(?![,;.?] ).)+?" if name in _WITH_BLANKS else r"[^\s,]+"


@cache
def problem_table(language: str) -> dict[str, tuple[str, str, str]]:
    """Read what is said of every problem: what is wrong, what to do, what is asked."""
    with (FOLDER / "judgement" / f"problems_{language}.csv").open(encoding="utf-8", newline="") as lines:
        return {row["code"]: (row["what"], row["remedy"], row["question"]) for row in csv.DictReader(lines)}
