"""The columns of a check: groups of rows under one another, and words for the rows that need them."""

from __future__ import annotations

import numpy as np

from pipeline.checks.columns import (
    CaseColumn,
    first_that_holds,
    fitting,
    picked,
    range_words,
    spelt,
    stacked_cases,
    worded,
)


def written(column: CaseColumn, rows: int) -> list[object]:
    return list(np.asarray(spelt(picked(column, np.arange(rows)))).tolist())


def test_a_column_that_a_group_lacks_is_missing_there() -> None:
    joined = stacked_cases(
        {"observed": np.array([1.0, 2.0]), "place": np.array([4, 5]), "kind": "a", "share": 0.5},
        {"observed": np.array([3.0]), "place": np.array([-1]), "kind": "b", "words": "c"},
    )

    assert written(joined["kind"], 3) == ["a", "a", "b"]
    assert written(joined["words"], 3) == [None, None, "c"]
    assert np.asarray(joined["place"]).tolist() == [4, 5, -1]
    np.testing.assert_array_equal(np.asarray(joined["share"]), [0.5, 0.5, np.nan])


def test_the_first_answer_that_holds_is_given_and_every_one_that_fits() -> None:
    answers = {"One": np.array([True, False, True]), "Two": np.array([True, False, False])}

    assert first_that_holds(3, answers).tolist() == ["One", "", "One"]
    assert fitting(3, answers, "none").tolist() == ["One; or two", "none", "One"]


def test_only_the_rows_that_need_words_are_worded() -> None:
    value = np.array([2.5, 20.0, np.nan])

    words = worded(3, {"value": value}, {"{value:1}": value > 1, "too much": value > 10})

    assert np.asarray(words).tolist() == ["2.5", "too much", ""]


def test_a_range_may_be_open() -> None:
    low, high = np.array([1.0, np.nan, 1.0, 1.0]), np.array([3.0, 3.0, np.nan, 3.0])

    said = range_words(low, high, np.array([True, True, True, False]))

    assert np.asarray(said).tolist() == ["1.0 to 3.0", "at most 3.0", "at least 1.0", ""]
