"""`query`: one statement that reads, or a prepared question."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

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


@pytest.mark.parametrize("sql", ["SELECT 1 AS a;", "PIVOT (SELECT 1 AS a) ON a USING sum(a)", "DESCRIBE v_sample"])
def test_one_statement_is_answered(ask: Callable[..., Result], sql: str) -> None:
    result = ask("query", sql, "--json")

    assert result.exit_code == 0
    assert json.loads(result.stdout)


def test_a_misspelt_question_is_answered_with_the_nearest(ask: Callable[..., Result]) -> None:
    assert 'did you mean "import-quality"?' in ask("query", "import-qualiti").stderr
