"""Findings and causes in the language of the reader: the store keeps codes and numbers, sentences are made at reading.

English sentences are those of the checks, as stored. In another language the sentence of the check is filled with the
numbers that the store keeps of the finding; what the store has as a sentence only (the evidence of a cause) is read
by the sentence it was made from.
"""

from __future__ import annotations

import csv
import json
import re
import string
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.report.causes import significant
from pipeline.words import DECIMAL_COMMA, FOLDER, finding_for_client, say, sentences_of
from schemas.columns import ANALYTES, COLUMNS, OTHER_ANALYTES

if TYPE_CHECKING:
    from collections.abc import Mapping

WORDED: Final = ("en", "de")  # languages in which findings and causes are told
_SHARED: Final = re.compile(r"^(\d+) of (\d+) samples of this source share one finding")
_FIELD: Final = re.compile(r"\{(\w+)\}")
_POINT: Final = re.compile(r"(?<=\d)\.(?=\d)")
_PART: Final = {"de": " Einmal für die ganze Datei gefragt."}
_ALL_SAMPLES: Final = {"de": "{flagged} von {seen} Proben dieser Datei: {told}."}
_AND: Final = {"de": " und "}
_QUANTITY: Final = "quantity"
_CLAUSES: Final = frozenset({"clauses"})
_WITH_BLANKS: Final = frozenset(
    {_QUANTITY, "change", "word", "value", "unit", "degrees", "treatment", "amount", "form", "detail"}
)
_HARDNESS: Final = {"hardness": "total_hardness", "dissolved solids": "tds"}


def finding_said(row: Mapping[Any, Any], language: str) -> str:
    """Word a finding.

    Parameters
    ----------
    row : of view `v_finding`; missing values are None or NaN.
    language : of the reader.

    Returns
    -------
    The sentence as stored in English; in another language what the check says with its numbers, or in general words
    where it says nothing there or a number is missing.
    """
    message, check_id = str(row["message"]), str(row["check_id"])
    if language not in WORDED or language == "en":
        return message
    told = say(finding_for_client(check_id), language)
    if shared := _SHARED.match(message):
        return _ALL_SAMPLES[language].format(flagged=shared[1], seen=shared[2], told=told)
    template = _table("findings", language).get(check_id)
    try:
        text = _Numbers(language).vformat(template or "", (), _values(row, language))
    except (KeyError, ValueError, TypeError):
        text = ""
    part = _PART[language] if row.get("severity_alone") else ""
    return (text or f"{told[:1].upper()}{told[1:]}.") + part


def _values(row: Mapping[Any, Any], language: str) -> dict[str, Any]:
    told: dict[str, Any] = {"unit": "", **json.loads(row["evidence"] or "{}")}
    for name in ("observed", "low", "high"):
        told[name] = row[name]
    codes = [code for code in str(row["analyte"] or "").split() if code]
    told["analyte"] = _AND[language].join(quantity_said(code, language) for code in codes)
    if _QUANTITY in told:
        told[_QUANTITY] = _quantity_meant(str(told[_QUANTITY]), language)
    return told


def cause_said(cause: Mapping[str, Any], language: str) -> dict[str, Any]:
    """Word a cause: its `title words change evidence`.

    Parameters
    ----------
    cause : as ``causes.by_sample`` lays it out.
    language : of the reader.
    """
    if language not in WORDED or language == "en":
        return dict(cause)
    names = {
        "analyte": quantity_said(str(cause["analyte"]), language),
        "other": quantity_said(str(cause["other_analyte"]), language),
        "detail": sentence_said(str(cause["detail"]), language),
    }
    template = _table("causes", language).get(str(cause["mistake"]))
    title = str(cause["title"]) if template is None else template.format(**names)
    change = str(cause["change"])
    begin = change.find(significant(cause.get("value_from"))) if change else 0
    return {
        **cause,
        "title": re.sub(r" \(\)|^: ", "", title),
        "words": sentence_said(str(cause["words"]), language),
        "change": decimal_marks(change[max(begin, 0) :], language),
        "evidence": sentence_said(str(cause["evidence"]), language),
    }


def quantity_said(code: str, language: str) -> str:
    """Name a quantity by its code."""
    if language == "en" or code not in ANALYTES:
        return ANALYTES[code].title if code in ANALYTES else OTHER_ANALYTES.get(code, code).replace("_", " ")
    return sentences_of(language).get(f"choose.quantity.{code}", ANALYTES[code].title)


def check_said(check_id: str, language: str) -> str:
    """Say what a check is about: what must hold, or in another language what it finds."""
    if language in WORDED and language != "en":
        return say(finding_for_client(check_id), language)
    entry = KNOWN_CHECKS.get(check_id)
    return check_id if entry is None else entry.title


def sentence_said(text: str, language: str) -> str:
    """Say a sentence of the catalogue of causes in another language; what is not in the catalogue stays as it is."""
    if not text or language not in WORDED or language == "en":
        return text
    whole = _translated(text, language)
    if whole is None:
        whole = ", ".join(_translated(clause, language) or clause for clause in text.split(", "))
    return decimal_marks(whole, language)


def _translated(text: str, language: str) -> str | None:
    """Find the sentence that a text was made from, and fill that of the other language with what it says."""
    plain = _table("sentences", language)
    if text in plain:
        return plain[text]
    for pattern, template in _patterns(language):
        if found := pattern.fullmatch(text):
            values = {name: _meant(name, value, language) for name, value in found.groupdict().items()}
            return template.format(**values)
    return None


def _meant(name: str, value: str, language: str) -> str:
    if name == _QUANTITY:
        return _quantity_meant(value, language)
    return sentence_said(value, language) if name in ("change", "clauses", "word", "detail") else value


def _quantity_meant(text: str, language: str) -> str:
    """Name a quantity that a sentence names in English."""
    return next((quantity_said(code, language) for code in _codes(text)), text)


def _codes(text: str) -> list[str]:
    wanted = text.strip().casefold()
    wanted = _HARDNESS.get(wanted, wanted)
    return [
        analyte.code
        for analyte in ANALYTES.values()
        if wanted in (analyte.title.casefold(), analyte.title.casefold().split(" at ")[0], analyte.code, analyte.column)
    ] + ([COLUMNS[text].code] if text in COLUMNS else [])


def decimal_marks(text: str, language: str) -> str:
    """Write the numbers of a text with the decimal mark of a language."""
    return _POINT.sub(",", text) if language in DECIMAL_COMMA else text


@cache
def _table(name: str, language: str) -> dict[str, str]:
    """Read a table of sentences: its first column is the key."""
    with (FOLDER / "judgement" / f"{name}_{language}.csv").open(encoding="utf-8", newline="") as lines:
        reader = csv.reader(lines)
        next(reader)
        return dict(reader)


@cache
def _patterns(language: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    """Turn the English sentences with values into patterns, those with most words of their own first."""
    found = []
    for english, text in _table("sentences", language).items():
        if not _FIELD.search(english):
            continue
        parts = _FIELD.split(english)
        pattern = "".join(_group(part) if at % 2 else re.escape(part) for at, part in enumerate(parts))
        found.append((len(_FIELD.sub("", english)), re.compile(pattern), text))
    found.sort(key=lambda one: -one[0])
    return tuple((pattern, text) for _, pattern, text in found)


def _group(name: str) -> str:
    """Give the pattern of a value: several clauses, a word with blanks, or one number; a clause ends at a comma."""
    inside = ".+" if name in _CLAUSES else r"(?:(?!, ).)+?" if name in _WITH_BLANKS else r"[^\s,]+"
    return f"(?P<{name}>{inside})"


class _Numbers(string.Formatter):
    """Fills a sentence: {name:1} is a number with one decimal, in the manner of the language."""

    def __init__(self, language: str) -> None:
        self._language = language

    def format_field(self, value: Any, format_spec: str) -> str:  # noqa: ANN401 - the base class's signature
        if value is None or value != value:  # noqa: PLR0124 - NaN is not itself
            raise ValueError("a number is missing")
        if not isinstance(value, int | float):
            return str(value)
        text = significant(float(value)) if not format_spec else f"{value:.{int(format_spec)}f}"
        return decimal_marks(text.replace("-", "−"), self._language)
