"""Findings and causes in the language of the reader: the store keeps codes and numbers, sentences are made at reading.

English sentences are those of the checks, as stored. In another language the sentence of the check is filled with the
numbers that the store keeps of the finding; what the store has as a sentence only (the evidence of a cause) is read
by the sentence it was made from.
"""

from __future__ import annotations

import json
import re
import string
from typing import TYPE_CHECKING, Any, Final

from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.report.causes import significant
from pipeline.report.sentences import (
    decimal_marks,
    other_language,
    prose_said,
    quantity_meant,
    quantity_said,
    sentence_said,
    sentence_table,
)
from pipeline.words import finding_for_client, say
from pipeline.words.labels import counted_in, label_in

if TYPE_CHECKING:
    from collections.abc import Mapping

_SHARED: Final = re.compile(r"^(\d+) of (\d+) samples of this source share one finding")
_DATED: Final = re.compile(r"\d+\.\d+\.|\d{4}-")
_PART: Final = {"de": " Einmal für die ganze Datei gefragt."}
_ALL_SAMPLES: Final = {"de": "{flagged} von {seen} Proben dieser Datei: {told}."}
_AND: Final = {"de": " und "}
_QUANTITY: Final = "quantity"


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
    if not other_language(language):
        return message
    told = say(finding_for_client(check_id), language)
    if shared := _SHARED.match(message):
        return _ALL_SAMPLES[language].format(flagged=shared[1], seen=shared[2], told=told)
    template = sentence_table("findings", language).get(check_id)
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
        told[_QUANTITY] = quantity_meant(str(told[_QUANTITY]), language)
    return told


def cause_said(cause: Mapping[str, Any], language: str) -> dict[str, Any]:
    """Word a cause: its `title words change evidence`.

    Parameters
    ----------
    cause : as ``causes.by_sample`` lays it out.
    language : of the reader.
    """
    if not other_language(language):
        return dict(cause)
    names = {
        "analyte": quantity_said(str(cause["analyte"]), language),
        "other": quantity_said(str(cause["other_analyte"]), language),
        "detail": sentence_said(str(cause["detail"]), language),
    }
    template = sentence_table("causes", language).get(str(cause["mistake"]))
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


def explanation_said(explanation: Mapping[str, Any] | None, language: str) -> dict[str, Any] | None:
    """Word what may have happened to a sample: its causes, and the questions that tell them apart."""
    if explanation is None:
        return None
    return {
        **explanation,
        "causes": [cause_said(cause, language) for cause in explanation["causes"]],
        "relations": [{**row, "title": label_in(row["title"], language)} for row in explanation["relations"]],
        "questions": [prose_said(question, language) for question in explanation["questions"]],
    }


def patterns_said(patterns: list[dict[str, Any]], language: str) -> list[dict[str, Any]]:
    """Word the mistakes of whole files."""
    none = {"other_analyte": "", "title": "", "change": "", "evidence": ""}
    return [{**one, "said": _pattern_said(cause_said({**none, **one}, language), one, language)} for one in patterns]


def _pattern_said(cause: Mapping[str, Any], pattern: Mapping[str, Any], language: str) -> str:
    words = f" ({cause['words']})" if cause["words"] else ""
    if not other_language(language):
        return f"{pattern['message']}{words}"
    return f"{cause['title']}, {counted_in(pattern['samples'], 'sample', language)}{words}"


def check_said(check_id: str, language: str) -> str:
    """Say what a check is about: what must hold, or in another language what it finds."""
    if other_language(language):
        return say(finding_for_client(check_id), language)
    entry = KNOWN_CHECKS.get(check_id)
    return check_id if entry is None else entry.title


class _Numbers(string.Formatter):
    """Fills a sentence: {name:1} is a number with one decimal, in the manner of the language."""

    def __init__(self, language: str) -> None:
        self._language = language

    def format_field(self, value: Any, format_spec: str) -> str:  # noqa: ANN401 - the base class's signature
        if value is None or value != value:  # noqa: PLR0124 - NaN is not itself
            raise ValueError("a number is missing")
        if not isinstance(value, int | float):
            text = sentence_said(str(value), self._language)
            return text if _DATED.search(text) else decimal_marks(text.replace(" as ", " als "), self._language)
        text = significant(float(value)) if not format_spec else f"{value:.{int(format_spec)}f}"
        return decimal_marks(text.replace("-", "−"), self._language)
