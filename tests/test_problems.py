"""How numbers stand in messages: as many decimals as asked, and never so few that a number vanishes."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.problems import fill


def written(template: str, *values: float) -> list[str]:
    return fill(template, pd.DataFrame({"x": values})).tolist()


def test_a_number_has_the_decimals_of_its_template() -> None:
    assert written("{x:0} {x:1} {x:2}", 677.0, 12.34) == ["677 677.0 677.00", "12 12.3 12.34"]


def test_a_small_number_keeps_two_significant_digits() -> None:
    """0.66 µS/cm is not 1 µS/cm, and 0.004 mg/L is not nothing."""
    assert written("{x:0}", 0.66, 5.3, 0.0) == ["0.66", "5.3", "0"]
    assert written("{x:2}", 0.00412, 0.3, -0.0066, 1.2) == ["0.0041", "0.30", "-0.0066", "1.20"]
    assert written("{x:1}", 0.0996) == ["0.1"]


def test_counts_stay_whole_and_the_missing_is_a_question_mark() -> None:
    assert written("{x:0} drops", 3.0, float("nan")) == ["3 drops", "? drops"]


def test_without_decimals_a_number_is_written_as_short_as_it_is() -> None:
    assert written("{x}", 74.0, 1.25, 0.000126, 12.34567) == ["74", "1.25", "0.00013", "12.346"]


@pytest.mark.parametrize("size", [0, 1])
def test_an_empty_table_gives_no_messages(size: int) -> None:
    assert len(written("{x:1}", *[1.0] * size)) == size
