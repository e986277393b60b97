"""Columns of few texts: what is asked of a text is asked once and holds for every row that has it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.texts import TextColumn, composed, concatenated, first_rows, numbered

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

    together = concatenated(parts)

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


MASKED = st.lists(st.tuples(st.sampled_from(["", "raw", "Softened"]), st.booleans()), max_size=12)


@given(MASKED)
def test_a_text_is_put_where_the_mask_holds(rows: list[tuple[str, bool]]) -> None:
    column = TextColumn.from_arrow(pa.array([text for text, _ in rows], pa.string()))
    mask = np.array([flag for _, flag in rows], dtype="bool")

    assert column.where(mask, "raw").tolist() == ["raw" if flag else text for text, flag in rows]
    assert column.noted(mask, "new").tolist() == ["new" if flag and not text else text for text, flag in rows]
    assert column.extended(mask, "new").tolist() == [
        (f"{text}; new" if text else "new") if flag else text for text, flag in rows
    ]


@given(WORDS, st.data())
def test_silent_rows_are_filled_from_another_column(words: list[str], data: st.DataObject) -> None:
    other = data.draw(st.lists(st.sampled_from(["", "x", "raw"]), min_size=len(words), max_size=len(words)))
    column, second = (TextColumn.from_series(pd.Series(texts, dtype="str")) for texts in (words, other))

    assert column.otherwise(second).tolist() == [own or filler for own, filler in zip(words, other, strict=True)]


@given(WORDS, st.data())
def test_combinations_are_numbered_as_they_appear(words: list[str], data: st.DataObject) -> None:
    flags = data.draw(st.lists(st.booleans(), min_size=len(words), max_size=len(words)))
    known = list(dict.fromkeys(zip(words, flags, strict=True)))
    column = TextColumn.from_series(pd.Series(words, dtype="str"))

    number = numbered([column, np.array(flags, dtype="bool")])

    assert number.tolist() == [known.index(row) for row in zip(words, flags, strict=True)]
    assert [(words[row], flags[row]) for row in first_rows(number).tolist()] == known


@given(WORDS, WORDS)
def test_a_text_of_several_is_that_of_each_row(first: list[str], second: list[str]) -> None:
    rows = list(zip(first, second, strict=False))
    parts = [TextColumn.from_series(pd.Series([row[side] for row in rows], dtype="str")) for side in (0, 1)]

    assert composed(parts, lambda one, other: f"{one}/{other}").tolist() == [f"{one}/{other}" for one, other in rows]


@given(WORDS)
def test_a_category_holds_each_text_that_occurs_once(words: list[str]) -> None:
    column = TextColumn.from_series(pd.Series([*words, "left out"], dtype="str")).map(str.lower)

    category = column.take(np.arange(len(words))).category()

    assert list(category) == [word.lower() for word in words]
    assert sorted(category.categories) == sorted({word.lower() for word in words})


@pytest.mark.parametrize("rows", [127, 128, 129, 300])
def test_narrow_codes_widen_for_more_texts(rows: int) -> None:
    words = [f"text {number}" for number in range(rows)]
    column = TextColumn.from_series(pd.Series(words, dtype="category"))
    last = np.arange(rows) == rows - 1

    assert column.where(last, "new").tolist() == [*words[:-1], "new"]
    assert column.over(column.map(str.upper), last).tolist() == [*(word.upper() for word in words[:-1]), words[-1]]
    assert concatenated([column, column.map(str.upper)]).tolist() == [*words, *(word.upper() for word in words)]
    assert list(column.where(last, "new").category()) == [*words[:-1], "new"]
    assert column.distinct().codes.dtype == ("int8" if rows <= 128 else "int16")
