"""Every check that can hold a sample has a question and a sentence for the client, in every language."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check
from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.words import LANGUAGES, Said, finding_for_client, question_of_check, say, sentences_of
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.normalise.sample_table import SampleTable


@pytest.fixture(scope="module")
def holding(case_folder: Path, load_case: Callable[[Path], SampleTable]) -> set[str]:
    """Name the checks that hold or reject by their severity, or in one of their own bad records."""
    usual = {name for name, entry in KNOWN_CHECKS.items() if entry.severity in OPEN}
    return usual | {
        name
        for name, entry in CHECKS.items()
        if run_check(entry, load_case(case_folder / name / "bad.csv"), Limits())[0]["severity"].isin(OPEN).any()
    }


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("about", ["question", "client"])
def test_no_check_that_holds_lacks_its_own_words(holding: set[str], about: str, language: str) -> None:
    known = sentences_of(language)

    assert [name for name in sorted(holding) if f"checks.{about}.{name}" not in known] == []


@pytest.mark.parametrize("about", ["question", "client"])
def test_no_words_are_left_of_a_check_that_is_gone(about: str) -> None:
    said = {code.removeprefix(f"checks.{about}.") for code in sentences_of("en") if code.startswith(f"checks.{about}.")}

    assert said - set(KNOWN_CHECKS) == {"any"}


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_check_without_words_is_spoken_of_in_general(language: str) -> None:
    assert say(question_of_check("brand-new"), language) == say(Said("checks.question.any"), language)
    assert say(finding_for_client("brand-new"), language) == say(Said("checks.client.any"), language)
