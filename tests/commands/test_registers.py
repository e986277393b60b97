"""`treatment`, `machine`, `site`: what is entered is kept, what says nothing new is refused."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Ask = Callable[..., Result]

BY = ("--by", "A. Smith", "--why", "seen on site")


@pytest.fixture
def ask(tmp_path: Path) -> Ask:
    """Run a command on a store of its own."""
    (tmp_path / "a.csv").write_text("Sample,Client,Site,pH,Calcium (mg/L)\nA-1,C,Bar,7.4,62\n", encoding="utf-8")
    CliRunner().invoke(main, ["intake", str(tmp_path / "a.csv"), "--out", str(tmp_path)])

    def run(*words: str) -> Result:
        return CliRunner().invoke(main, [*words, "--store", str(tmp_path / "kettlestone.duckdb")])

    return run


def test_the_name_of_a_treatment_alone_is_news(ask: Ask) -> None:
    """`retest` asks to enter it so: treatment set SITE --treatment NAME --by … --why …, and no more."""
    result = ask("treatment", "set", "Bar", "--treatment", "softener", *BY)

    assert result.exit_code == 0
    (entry,) = json.loads(ask("treatment", "list", "--json").stdout)
    assert (entry["client"], entry["site"], entry["treatment"]) == ("C", "Bar", "softener")


def test_what_is_in_force_already_is_no_news(ask: Ask) -> None:
    ask("treatment", "set", "Bar", "--treatment", "softener", *BY)

    for words in (["--treatment", "Softener"], []):
        result = ask("treatment", "set", "Bar", *words, *BY)
        assert result.exit_code == 2
        assert "no new value was given" in result.stderr
        assert "Nothing was changed." in result.stderr


def test_a_treatment_that_was_taken_out_can_come_back(ask: Ask) -> None:
    for name in ("softener", "none", "softener"):
        assert ask("treatment", "set", "Bar", "--treatment", name, *BY).exit_code == 0

    (entry,) = json.loads(ask("treatment", "list", "--json").stdout)
    assert entry["treatment"] == "softener"
    assert ask("treatment", "set", "Bar", "--treatment", "none", *BY).exit_code == 0


def test_a_treatment_that_nobody_knows_is_answered_with_the_nearest(ask: Ask) -> None:
    result = ask("treatment", "set", "Bar", "--treatment", "softner", *BY)

    assert result.exit_code == 2
    assert 'there is no treatment "softner"; did you mean "softener"?' in result.stderr


def test_litres_have_one_option_everywhere(ask: Ask) -> None:
    for kind, words in (
        ("site", []),
        ("machine", ["--machine", "dual boiler"]),
        ("treatment", ["--treatment", "none"]),
    ):
        assert ask(kind, "set", "Bar", *words, "--litres", "40", *BY).exit_code == 0
        assert json.loads(ask(kind, "list", "--json").stdout)[0]["litres_per_day"] == "40"

    assert '--litres "-1": write a number' in ask("site", "set", "Bar", "--litres", "-1", *BY).stderr
