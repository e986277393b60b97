"""What the manual says is true."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest
from click.testing import CliRunner

import pipeline
import pipeline.checks
from pipeline.cli import COMMANDS, main
from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.problems import PROBLEMS
from pipeline.reference import table
from pipeline.settings import Settings

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_stands_in_the_readme_and_has_help(command: str) -> None:
    result = CliRunner().invoke(main, [command, "--help"])

    assert result.exit_code == 0
    assert f"kettlestone {command}" in README


def test_the_readme_lists_the_settings_and_their_defaults() -> None:
    """A row for each: `name` | default | meaning."""
    section = README.split("## Settings\n")[1].split("\n## ")[0]
    rows = dict(re.findall(r"^\| `(\w+)` \| ([^|]*) \|", section, re.MULTILINE))

    assert rows == {
        one.name: ""
        if one.default is None
        else f"`{one.default:g}`"
        if isinstance(one.default, float)
        else f"`{one.default}`"
        for one in fields(Settings)
    }


def test_the_changelog_names_the_version_of_the_package() -> None:
    versions = re.findall(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)

    assert versions[0] == pipeline.__version__


def test_every_source_key_has_its_citation() -> None:
    known = set(table("sources")["key"])
    used = {key.strip() for entry in KNOWN_CHECKS.values() for key in entry.source.split(",")}

    assert used <= known


def test_the_source_of_a_test_is_a_published_one() -> None:
    """A fact of the trade with no authority behind it has a mark of its own, so that sources can be counted."""
    tests = [path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("*.py")]
    marked = [key for text in tests for key in re.findall(r"mark\.source\((.*?)\)", text)]
    keys = {key for text in marked for key in re.findall(r'"([^"]+)"', text)}
    listed = table("sources")
    published = set(listed["key"][listed["seen"] != "common practice"])

    assert keys
    assert keys <= published


def test_no_citation_is_listed_twice() -> None:
    assert not table("sources")["key"].duplicated().any()


@pytest.mark.parametrize("check_id", sorted(KNOWN_CHECKS))
def test_every_check_explains_itself_with_its_source(check_id: str) -> None:
    result = CliRunner().invoke(main, ["checks", check_id])

    assert result.exit_code == 0
    assert KNOWN_CHECKS[check_id].title in result.output
    assert "Source" in result.output


@pytest.mark.parametrize("code", sorted(PROBLEMS))
def test_every_problem_says_what_to_do(code: str) -> None:
    assert PROBLEMS[code].what
    assert PROBLEMS[code].remedy
