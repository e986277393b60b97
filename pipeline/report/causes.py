"""What may have happened to a sample, in words and numbers: for the summary, the page and the terminal."""

from __future__ import annotations

import math
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.explain.pairs import PAIR_ANSWERS
from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.words.labels import label_in
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.explain.tables import Explained

# An answer is about the pair of bottles or about the readings of one: two questions, each with its own 100 %.
PAIR, READINGS = "the pair", "the readings"
NOTHING: Final = "no-mistake"
OPEN_END: Final = "none-of-these"
_CAUSES: Final = 3
_RELATIONS: Final = 6
_WORTH_TELLING: Final = 0.05  # a cause less likely than that is left to explanations.csv
# How sure is how sure: words for probabilities, the usual ones of risk reports [CP].
_WORDS: Final = ((0.95, "almost certain"), (0.8, "very likely"), (0.6, "likely"), (0.4, "possible"), (0.0, "uncertain"))


def in_words(probability: float) -> str:
    """Put a probability into words and a number.

    Example
    -------
    >>> in_words(0.874)
    'very likely, 87 %'
    """
    word = next(text for least, text in _WORDS if probability >= least)
    return f"{word}, {min(max(round(100 * probability), 1), 99)} %"


def significant(value: float | None, digits: int = 4) -> str:
    """Write a number with at most so many significant digits, without an exponent; a dash where there is none.

    Example
    -------
    >>> significant(59.6), significant(1234.5678), significant(0.0312)
    ('59.6', '1235', '0.0312')
    """
    if value is None or math.isnan(value):
        return "–"
    text = f"{float(f'{value:.{digits}g}'):.10f}".rstrip("0").rstrip(".")
    return text.replace("-", "−") or "0"


def with_sign(value: float, digits: int = 2) -> str:
    """Write a change with its sign; nothing where there is none.

    Example
    -------
    >>> with_sign(0.1234), with_sign(-123.0), with_sign(float("nan"))
    ('+0.12', '−120', '')
    """
    if not math.isfinite(value):
        return ""
    return ("+" if value > 0 else "") + significant(value, digits)


def by_sample(explained: Explained | None, sample_ids: pd.Index) -> dict[str, dict[str, Any]]:
    """Lay out what is known of the cause for some samples.

    Parameters
    ----------
    explained : the engine's answer; None where nothing was explained.
    sample_ids : the samples to lay out.

    Returns
    -------
    sample_id → `causes` (the likeliest first: `about mistake title analyte probability words change evidence`;
    `about` the pair or the readings, two questions whose probabilities are not to be added),
    `relations` (of the first cause: `relation observed before after agrees`), `questions`, `pattern`.
    """
    if explained is None:
        return {}
    rows = explained.explanations
    rows = rows[rows["sample_id"].isin(sample_ids)].sort_values(["sample_id", "rank"])
    rows = rows.assign(about=questions_answered(rows["mistake"]))
    place = rows.groupby(["sample_id", "about"]).cumcount()
    rows = rows[(place == 0) | ((place < _CAUSES) & (rows["probability"] >= _WORTH_TELLING))]
    relations = _listed(explained.relations[explained.relations["rank"] == 1], sample_ids, _relation)
    questions = _listed(explained.questions, sample_ids, lambda row: str(row["question"]))
    found: dict[str, dict[str, Any]] = {}
    for key, causes in groupby(rows.to_dict("records"), key=lambda row: str(row["sample_id"])):
        own = list(causes)
        listed = [_cause(row) for row in own]
        found[key] = {
            "causes": listed,
            "relations": relations.get(key, [])[:_RELATIONS] if listed[0]["mistake"] not in (NOTHING, OPEN_END) else [],
            "questions": questions.get(key, []),
            "pattern": any(not pd.isna(row["pattern"]) and bool(row["pattern"]) for row in own),
        }
    return found


def patterns(explained: Explained | None, names: pd.Series[str]) -> list[dict[str, Any]]:
    """List the mistakes of whole files, the largest first.

    Parameters
    ----------
    explained : the engine's answer.
    names : file names by `file_sha256`.
    """
    if explained is None or explained.patterns.empty:
        return []
    rows = explained.patterns.sort_values("samples", ascending=False, kind="stable")
    return [
        {
            "mistake": str(row["mistake"]),
            "analyte": str(row["analyte"]),
            "detail": str(row["detail"]),
            "scope": str(row["scope"]),
            "samples": int(row["samples"]),
            "share": _plain(row["share"]),
            "probability": _plain(row["probability"]),
            "words": "" if pd.isna(row["probability"]) else in_words(float(row["probability"])),
            "message": str(row["message"]),
            "file": str(names.get(str(row["file_sha256"]), "")),
        }
        for row in rows.to_dict("records")
    ]


def questions_answered(mistakes: pd.Series) -> pd.Series:
    """Say of each answer which question it answers: what became of the pair, or of the readings of one sample."""
    asked = mistakes.isin(PAIR_ANSWERS)
    return pd.Series(READINGS, index=mistakes.index, dtype="str").mask(asked, PAIR)


def by_question(causes: list[dict[str, Any]]) -> list[tuple[str, list[dict[str, Any]]]]:
    """Part the causes of a sample by the question they answer, the question of the likeliest first."""
    questions = dict.fromkeys(str(cause["about"]) for cause in causes)
    return [(question, [cause for cause in causes if cause["about"] == question]) for question in questions]


def cause_line(cause: dict[str, Any], language: str = "en") -> str:
    """Say a cause in one line: what, how sure, and what would change."""
    if cause["mistake"] == NOTHING:
        said = label_in("Nothing: the readings agree within their uncertainty", language)
        return f"{said} ({cause['words']})"
    change = f": {cause['change']}" if cause["change"] else ""
    return f"{cause['title']} ({cause['words']}){change}"


def title_of(relation: str) -> str:
    """Name a relation as the register of checks does where it has it."""
    entry = KNOWN_CHECKS.get(relation)
    return entry.title if entry else relation.replace("-", " ")


def _listed(frame: pd.DataFrame, sample_ids: pd.Index, make: Any) -> dict[str, list[Any]]:  # noqa: ANN401 - any function of a row
    found: dict[str, list[Any]] = {}
    for row in frame[frame["sample_id"].isin(sample_ids)].to_dict("records"):
        found.setdefault(str(row["sample_id"]), []).append(make(row))
    return found


def _cause(row: dict[Any, Any]) -> dict[str, Any]:
    probability = float(row["probability"])
    return {
        "about": str(row["about"]),
        "mistake": str(row["mistake"]),
        "title": str(row["title"]),
        "analyte": str(row["analyte"]),
        "other_analyte": str(row["other_analyte"]),
        "detail": str(row["detail"]),
        "probability": probability,
        "words": in_words(probability),
        "value_from": _plain(row["value_from"]),
        "value_to": _plain(row["value_to"]),
        "unit": str(row["unit"]),
        "change": _change(row),
        "evidence": str(row["evidence"]),
    }


def _change(row: dict[Any, Any]) -> str:
    """Say which value would become which; "" where none would."""
    if pd.isna(row["value_from"]) or pd.isna(row["value_to"]) or row["value_from"] == row["value_to"]:
        return ""
    code, title = str(row["analyte"]), str(row["title"])
    known = ANALYTES[code].title if code in ANALYTES else code
    name = "" if title.startswith(known.split(" at ")[0]) else f"{known} "
    received, meant = significant(row["value_from"]), significant(row["value_to"])
    return f"{name}{received} → {meant} {printed_unit(str(row['unit']))}".rstrip()


def printed_unit(unit: str) -> str:
    """Write a canonical unit as people do."""
    return {"uS/cm": "µS/cm", "[pH]": "", "Cel": "°C"}.get(unit, unit)


def _relation(row: dict[Any, Any]) -> dict[str, Any]:
    """Give a relation before and after: what it makes of the reading, and how many standard uncertainties it is off."""
    return {
        "relation": str(row["relation"]),
        "title": title_of(str(row["relation"])),
        "observed": _plain(row["observed"]),
        "observed_after": _plain(row.get("observed_after", row["observed"])),
        "before": _plain(row["before"]),
        "after": _plain(row["after"]),
        "unit": printed_unit(str(row["unit"])),
        "uncertainty": _plain(row["uncertainty"]),
        "score_before": _plain(row["score_before"]),
        "score_after": _plain(row["score_after"]),
    }


def _plain(value: float) -> float | None:
    return None if pd.isna(value) else float(value)
