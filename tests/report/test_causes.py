"""Causes in words: how sure, what would change, and the mistakes of whole files told once."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pytest

from pipeline.explain.tables import Explained
from pipeline.report import causes
from pipeline.report.batch.page import environment, label_of


@pytest.mark.parametrize(
    ("probability", "words"), [(0.999, "almost certain, 99 %"), (0.65, "likely, 65 %"), (0.004, "uncertain, 1 %")]
)
def test_a_probability_is_said_in_words_and_never_as_certainty(probability: float, words: str) -> None:
    assert causes.in_words(probability) == words


@pytest.mark.parametrize(
    ("value", "text"), [(59.6, "59.6"), (1234.567, "1235"), (-0.5, "−0.5"), (None, "–"), (np.nan, "–"), (0.0, "0")]
)
def test_numbers_are_written_without_exponents(value: float | None, text: str) -> None:
    assert causes.significant(value) == text


def explained() -> Explained:
    """Give an answer with one sample under a pattern of its file, and a bias without a probability."""
    cause = {
        "sample_id": "s",
        "mistake": "wrong-unit",
        "analyte": "conductivity",
        "other_analyte": "",
        "detail": "mS/m",
        "evidence": "59.6 to 596",
        "title": "Conductivity: another unit (mS/m)",
        "unit": "uS/cm",
        "pattern": True,
    }
    rows = [
        cause | {"rank": 1, "probability": 0.9, "value_from": 59.6, "value_to": 596.0},
        cause | {"rank": 2, "probability": 0.07, "mistake": "soda-water", "value_from": 59.6, "value_to": 59.6},
        cause | {"rank": 3, "probability": 0.03, "mistake": "none-of-these", "value_from": np.nan, "value_to": np.nan},
    ]
    pattern = {
        "file_sha256": "f",
        "scope": "file",
        "analyte": "conductivity",
        "other_analyte": "",
        "mistake": "wrong-unit",
        "detail": "mS/m",
        "samples": 9,
        "share": 0.9,
        "probability": 0.99,
        "message": "mS/m throughout",
    }
    return Explained(
        explanations=pd.DataFrame(rows),
        relations=pd.DataFrame({"sample_id": pd.Series(dtype="str"), "rank": pd.Series(dtype="int64")}),
        questions=pd.DataFrame({"sample_id": ["s"], "question": ["In which unit?"], "separates": [""]}),
        patterns=pd.DataFrame([pattern, pattern | {"samples": 12, "share": np.nan, "probability": np.nan}]),
    )


def test_unlikely_causes_and_changes_that_change_nothing_are_left_out() -> None:
    found = causes.by_sample(explained(), pd.Index(["s", "another"]))

    assert list(found) == ["s"]
    assert [cause["change"] for cause in found["s"]["causes"]] == ["59.6 → 596 µS/cm", ""]
    assert found["s"]["questions"] == ["In which unit?"]
    assert found["s"]["pattern"]
    assert causes.cause_line(found["s"]["causes"][0]) == (
        "Conductivity: another unit (mS/m) (very likely, 90 %): 59.6 → 596 µS/cm"
    )


@pytest.fixture
def swapped() -> Explained:
    """Give an answer to both questions: the bottles are exchanged, and each agrees with itself."""
    one = explained()
    pair = {"rank": 1, "probability": 0.99, "mistake": "swapped-samples", "title": "The samples exchanged"}
    own = {"rank": 2, "probability": 0.91, "mistake": "no-mistake", "title": "The readings agree"}
    rest = {"value_from": np.nan, "value_to": np.nan, "pattern": False, "analyte": "", "detail": ""}
    rows = one.explanations.iloc[:2].to_dict("records")
    rows = [row | rest | answer for row, answer in zip(rows, (pair, own), strict=True)]
    return replace(one, explanations=pd.DataFrame(rows))


def test_what_became_of_the_pair_and_of_the_readings_are_two_questions(swapped: Explained) -> None:
    """99 % and 91 % do not stand in one list: each question has its own hundred per cent."""
    listed = causes.by_sample(swapped, pd.Index(["s"]))["s"]["causes"]

    parts = causes.by_question(listed)

    assert [(question, [cause["mistake"] for cause in own]) for question, own in parts] == [
        ("the pair", ["swapped-samples"]),
        ("the readings", ["no-mistake"]),
    ]
    assert all(sum(cause["probability"] for cause in own) <= 1 for _, own in parts)


def test_the_page_names_both_questions(swapped: Explained) -> None:
    why = causes.by_sample(swapped, pd.Index(["s"]))["s"]

    page = (
        environment()
        .get_template("cause.html.j2")
        .render(sample={"explanation": why}, language="en", t=partial(label_of, "en"))
    )

    assert "Most likely (about the pair):" in page
    assert "Another question, about the readings:" in page
    assert "Or:" not in page


def test_mistakes_of_whole_files_name_the_file_the_larger_first() -> None:
    listed = causes.patterns(explained(), pd.Series({"f": "march.csv"}))

    assert [(one["samples"], one["words"], one["file"]) for one in listed] == [
        (12, "", "march.csv"),
        (9, "almost certain, 99 %", "march.csv"),
    ]
    assert listed[0]["probability"] is None
    assert causes.patterns(None, pd.Series(dtype="str")) == []
