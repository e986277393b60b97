"""Columns of few texts: what is asked of a text is asked once and holds for every row that has it."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.normalise.coded import coded, silent

WORDS = st.lists(st.sampled_from(["", "raw", "Softened", "soft ", "permeate"]), max_size=12)


@given(WORDS)
def test_every_row_keeps_its_text(words: list[str]) -> None:
    column = coded(pd.Series(words, dtype="str"))

    assert column.tolist() == words
    assert column.stated().tolist() == [word != "" for word in words]
    assert column.isin(["raw", ""]).tolist() == [word in ("raw", "") for word in words]
    assert column.mentions("soft").tolist() == ["soft" in word.lower() for word in words]
    assert column.in_order().tolist() == words


@given(WORDS, WORDS)
def test_rows_laid_under_others_keep_their_texts(first: list[str], second: list[str]) -> None:
    joined = coded(pd.Series(first, dtype="str")).followed_by(coded(pd.Series(second, dtype="str")))

    assert joined.tolist() == first + second
    assert len(set(joined.texts)) == len(joined.texts)


@pytest.mark.parametrize("kind", ["str", "category"])
def test_what_is_missing_says_nothing(kind: str) -> None:
    column = coded(pd.Series(["a", None, "b"], dtype="str").astype(kind))

    assert column.tolist() == ["a", "", "b"]
    assert column.instead_of_nothing("-").tolist() == ["a", "-", "b"]


def test_a_part_of_a_column_does_not_carry_the_texts_of_all_of_it() -> None:
    whole = pd.Series(["a", "b", "c", "d"], dtype="category")

    assert coded(whole.iloc[[2]]).texts == ("c",)


def test_a_column_without_rows_is_a_column() -> None:
    assert coded(pd.Series([], dtype="str")).tolist() == []
    assert silent(2).tolist() == ["", ""]
