"""`treatment`, `machine`, `site`: what is entered is kept, what says nothing new is refused."""

from __future__ import annotations

import json
import shutil
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


@pytest.fixture(scope="module")
def bar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give results that know one site."""
    folder = tmp_path_factory.mktemp("bar")
    (folder / "a.csv").write_text("Sample,Client,Site,pH,Calcium (mg/L)\nA-1,C,Bar,7.4,62\n", encoding="utf-8")
    CliRunner().invoke(main, ["intake", str(folder / "a.csv"), "--out", str(folder)])
    return folder


@pytest.fixture
def ask(bar: Path, tmp_path: Path) -> Ask:
    """Run a command on a copy of that store."""
    shutil.copytree(bar, tmp_path, dirs_exist_ok=True)

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


def test_a_site_that_nobody_knows_has_to_be_meant(ask: Ask) -> None:
    words = ("machine", "set", "Barr", "--machine", "dual boiler", *BY)

    refused = ask(*words)

    assert refused.exit_code == 2
    assert "Similar sites:\n    C / Bar" in refused.stderr
    assert "Give --new" in refused.stderr
    assert ask(*words, "--new").exit_code == 0
    assert json.loads(ask("machine", "list", "--json").stdout)[0]["site"] == "Barr"


def test_the_label_of_a_sample_means_its_site(ask: Ask) -> None:
    assert ask("treatment", "set", "a-1", "--treatment", "softener", *BY).exit_code == 0

    assert "treatment: softener" in ask("treatment", "show", "A-1").stdout
    assert json.loads(ask("treatment", "list", "--json").stdout)[0]["site"] == "Bar"


def test_a_machine_that_nobody_knows_is_said_at_once(ask: Ask) -> None:
    result = ask("site", "set", "Bar", "--machine", "steam engine", *BY)

    assert result.exit_code == 2
    assert 'machine "steam engine" is not known. Known: brewer' in result.stderr


def test_words_of_a_register_that_are_not_understood_are_told_when_it_is_imported(tmp_path: Path) -> None:
    (tmp_path / "sites.csv").write_text(
        "client,site,machine,treatment\nC,One,steam engine,Wasserfilter\nC,Two,Vollautomat,RO + mineral cartridge\n",
        encoding="utf-8",
    )

    done = CliRunner().invoke(main, ["intake", str(tmp_path / "sites.csv"), "--out", str(tmp_path / "out"), "--json"])

    (told,) = [row for row in json.loads(done.stdout)["notices"] if row["problem"] == "register-word"]
    assert (told["count"], told["line"]) == (2, 2)
    assert '"steam engine" is not understood; what would be understood is a machine: brewer' in told["message"]
