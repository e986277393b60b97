"""The sample table: what is worked out of it once, and for that table only."""

from __future__ import annotations

import pandas as pd

from pipeline.normalise.sample_table import SampleTable, samples_from_wide


def table() -> SampleTable:
    return samples_from_wide(pd.DataFrame({"ph": [7.0, 8.0], "stage": ["raw", "treated"]}))


def test_a_question_is_answered_once_for_what_is_given() -> None:
    asked: list[float] = []

    def above(samples: SampleTable, limit: float) -> int:
        asked.append(limit)
        return int((samples.measured["ph"] > limit).sum())

    samples = table()

    assert [samples.once(above, limit) for limit in (7.5, 6.5, 7.5)] == [1, 2, 1]
    assert asked == [7.5, 6.5]


def test_a_part_of_a_table_answers_for_itself() -> None:
    samples = table()

    assert samples.fact("stage").tolist() == ["raw", "treated"]
    assert samples.where(pd.Series([False, True])).fact("stage").tolist() == ["treated"]
    assert samples.fact("comment").tolist() == ["", ""]
