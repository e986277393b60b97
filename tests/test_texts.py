"""Columns of few texts: what is asked of a text is asked once and holds for every row that has it."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.texts import TextColumn, joined

WORDS = st.lists(st.sampled_from(["", "raw", "Softened", "soft ", "permeate"]), max_size=12)


@given(WORDS)
def test_every_row_keeps_its_text(words: list[str]) -> None:
    column = TextColumn.from_series(pd.Series(words, dtype="str"))

    assert column.tolist() == words
    assert column.stated().tolist() == [word != "" for word in words]
    assert column.isin(["raw", ""]).tolist() == [word in ("raw", "") for word in words]
    assert column.mentions("soft").tolist() == ["soft" in word.lower() for word in words]
    assert column.in_order().tolist() == words


@given(WORDS, WORDS)
def test_rows_laid_under_others_keep_their_texts(first: list[str], second: list[str]) -> None:
    parts = [TextColumn.from_series(pd.Series(words, dtype="str")) for words in (first, second)]

    together = joined(parts)

    assert together.tolist() == first + second
    assert len(set(together.texts)) == len(together.texts)


@pytest.mark.parametrize("kind", ["str", "category"])
def test_what_is_missing_says_nothing(kind: str) -> None:
    column = TextColumn.from_series(pd.Series(["a", None, "b"], dtype="str").astype(kind))

    assert column.tolist() == ["a", "", "b"]
    assert column.map(lambda text: text or "-").tolist() == ["a", "-", "b"]


def test_a_part_of_a_column_does_not_carry_the_texts_of_all_of_it() -> None:
    whole = pd.Series(["a", "b", "c", "d"], dtype="category")

    assert TextColumn.from_series(whole.iloc[[2]]).texts == ("c",)


def test_a_column_without_rows_is_a_column() -> None:
    assert TextColumn.from_series(pd.Series([], dtype="str")).tolist() == []
    assert TextColumn.constant("", 2).tolist() == ["", ""]
