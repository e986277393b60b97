"""`query`: one statement that reads, or a prepared question."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pandas as pd
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result


@pytest.mark.parametrize("sql", [";", "", "  ", "/* nothing */", "/* a */ ; ;", " -- nothing"])
def test_no_statement_is_refused(ask: Callable[..., Result], sql: str) -> None:
    result = ask("query", sql)

    assert result.exit_code == 2
    assert "the question holds no statement" in result.stderr
    assert "Nothing was changed." in result.stderr


def test_several_statements_are_refused_whole(ask: Callable[..., Result]) -> None:
    result = ask("query", "SELECT 1; SELECT 2")

    assert result.exit_code == 2
    assert "the question holds 2 statements" in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize(
    "sql", ["SELECT repeat('x', 300000) AS a FROM range(1000)", "SELECT list(range) FROM range(100000000)"]
)
def test_a_question_for_too_much_is_stopped(ask: Callable[..., Result], sql: str) -> None:
    result = ask("query", sql)

    assert result.exit_code == 2
    assert "takes more memory than is allowed" in result.stderr


@pytest.mark.parametrize("sql", ["SELECT 1 AS a;", "PIVOT (SELECT 1 AS a) ON a USING sum(a)", "DESCRIBE v_sample"])
def test_one_statement_is_answered(ask: Callable[..., Result], sql: str) -> None:
    result = ask("query", sql, "--json")

    assert result.exit_code == 0
    assert json.loads(result.stdout)


def test_a_misspelt_question_is_answered_with_the_nearest(ask: Callable[..., Result]) -> None:
    assert 'did you mean "import-quality"?' in ask("query", "import-qualiti").stderr


def test_the_list_says_what_each_question_answers_and_what_its_columns_hold(ask: Callable[..., Result]) -> None:
    assert "source-changes" in ask("query", "--list").stdout
    assert "last day on which the old water was seen" in ask("query", "source-changes", "--list").stdout


def test_no_rows_say_why(ask: Callable[..., Result]) -> None:
    text = ask("query", "never-tested-raw", "--region", "Nowhere").stdout

    assert text.startswith("No rows: the question was understood, and nothing fits it and --region Nowhere.")
    assert "on hold, rejected or not judged" in text


def test_an_answer_goes_into_a_file_of_its_format(ask: Callable[..., Result], tmp_path: Path) -> None:
    ask("query", "import-quality", "--out", str(tmp_path / "quality.parquet"))

    assert pd.read_parquet(tmp_path / "quality.parquet")["name"].str.endswith("sheet.csv").all()
