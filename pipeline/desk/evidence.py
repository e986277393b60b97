"""What stands beside a finding: the cells as they were written, the numbers of the check, and the causes."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import pandas as pd

from pipeline.deciding.causes import can_be_taken
from pipeline.desk.pages import plain_rows
from pipeline.explain.tables import Explained
from pipeline.explain.wording import RELATION_COLUMNS
from pipeline.report import causes
from pipeline.report.sentences import other_language, prose_said
from pipeline.store.sample_readings import readings_as_written
from pipeline.store.samples import rows_of, wide_samples
from schemas.columns import ANALYTES, COLUMNS, OTHER_ANALYTES

if TYPE_CHECKING:
    from pipeline.store.database import Store

# Sentences of a check about its finding: in another language the causes and the question say it.
_IN_ENGLISH: Final = frozenset(
    {"alternative", "habit", "later", "lead", "mistake", "other", "pattern", "reason", "second_opinion", "settlement",
     "sodium_said", "suspect", "why"}
)  # fmt: skip
_WIDTH: Final = 300.0  # of the picture of a range
_MARGIN: Final = 0.15  # of the width, left free on either side


class RangePicture(NamedTuple):
    """A number beside the range it should lie in, in units of a picture; None where an end is open."""

    observed: float
    low: float | None
    high: float | None
    width: float = _WIDTH


def sample_of(store: Store, sample_id: str) -> dict[str, Any]:
    """Give a sample with its numbers side by side."""
    return plain_rows(wide_samples(store, [sample_id]))[0]


def written_cells(store: Store, sample_id: str, concerned: str) -> list[dict[str, Any]]:
    """Give the readings of a sample as they were written.

    Parameters
    ----------
    store : open.
    sample_id : the sample.
    concerned : the quantities that a finding is about, separated by blanks; their readings are `marked`.
    """
    rows = plain_rows(readings_as_written(store, sample_id))
    wanted = concerned.split()
    return [{**row, "title": quantity_called(row["analyte"]), "marked": row["analyte"] in wanted} for row in rows]


def quantity_called(code: str) -> str:
    """Name a quantity."""
    return ANALYTES[code].title if code in ANALYTES else OTHER_ANALYTES.get(code, code).replace("_", " ")


def numbers_of(found: pd.Series, language: str = "en") -> list[tuple[str, Any]]:
    """Give the numbers that the check saw beside the one it judged: what, and how much."""
    try:
        told = json.loads(found["evidence"] or "{}")
    except ValueError:  # a store of an earlier version
        return []
    left_out = _IN_ENGLISH if other_language(language) else frozenset()
    return [
        (_label(str(name)), prose_said(value, language) if isinstance(value, str) else value)
        for name, value in told.items()
        if value not in (None, "") and name not in left_out
    ]


def _label(name: str) -> str:
    if name in COLUMNS:
        return COLUMNS[name].title
    return ANALYTES[name].title if name in ANALYTES else name.replace("_", " ")


def range_picture(found: pd.Series) -> RangePicture | None:
    """Place the number that a check judged beside the range it should lie in; None where there is none."""
    ends = [float(found[name]) for name in ("low", "high") if not pd.isna(found[name])]
    if pd.isna(found["observed"]) or not ends:
        return None
    observed = float(found["observed"])
    least, most = min(observed, *ends), max(observed, *ends)
    if not most > least:
        return None

    def placed(value: float) -> float:
        return round(_WIDTH * (_MARGIN + (1.0 - 2.0 * _MARGIN) * (value - least) / (most - least)), 1)

    low, high = (None if pd.isna(found[name]) else placed(float(found[name])) for name in ("low", "high"))
    return RangePicture(placed(observed), low, high)


def stored_causes(store: Store, sample_id: str) -> list[dict[str, Any]]:
    """Give the causes of a sample as weighed when it was last judged, the likeliest first, `take` ranks them."""
    latest = "(SELECT e.* FROM explanation AS e JOIN sample USING (sample_id, batch_id))"
    found = rows_of(store, latest, "*", [sample_id])
    if found.empty:
        return []
    weighed = Explained(
        explanations=found.drop(columns="batch_id"),
        relations=pd.DataFrame(columns=list(RELATION_COLUMNS)),
        questions=pd.DataFrame(columns=["sample_id", "question", "separates"]),
        patterns=pd.DataFrame(),
    )
    listed: list[dict[str, Any]] = causes.by_sample(weighed, pd.Index([sample_id]))[sample_id]["causes"]
    ranks = {_key(row): int(row["rank"]) for row in plain_rows(found)}
    return [{**cause, "rank": ranks[_key(cause)], "named": _named(cause["mistake"])} for cause in listed]


def _named(mistake: str) -> bool:
    """Tell whether a cause can be taken and is one: that nothing is wrong is said by accepting."""
    return mistake != causes.NOTHING and can_be_taken(mistake)


def _key(row: dict[str, Any]) -> tuple[Any, ...]:
    return row["mistake"], row["analyte"], row["other_analyte"], row["detail"]


def source_causes(store: Store, found: pd.Series) -> list[dict[str, Any]]:
    """Give what all samples of a source have in common, the likeliest first, ranked as `take` counts them."""
    rows = store.connection.execute(
        "SELECT mistake, analyte, other_analyte, detail, message, probability, samples, "
        "row_number() OVER (ORDER BY probability DESC NULLS LAST, samples DESC) AS rank "
        "FROM pattern WHERE batch_id = ? AND file_sha256 = ? ORDER BY rank",
        [found["batch_id"], found["file_sha256"]],
    ).df()
    return [
        {
            "rank": int(row["rank"]),
            "mistake": row["mistake"],
            "title": row["message"],
            "analyte": row["analyte"],
            "other_analyte": row["other_analyte"],
            "detail": row["detail"],
            "value_from": None,
            "words": "" if row["probability"] is None else causes.in_words(float(row["probability"])),
            "probability": row["probability"] or 0.0,
            "change": "",
            "evidence": "",
            "named": _named(row["mistake"]),
        }
        for row in plain_rows(rows)
    ]
