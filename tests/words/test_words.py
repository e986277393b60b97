"""The catalogue: every language says everything, with the same values."""

from __future__ import annotations

import string

import pytest

from pipeline.words import LANGUAGES, Said, say, sentences_of


def _values(text: str) -> set[tuple[str, str]]:
    return {(name, spec or "") for _, name, spec, _ in string.Formatter().parse(text) if name}


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_has_the_sentences_of_english_with_the_same_values(language: str) -> None:
    english, other = sentences_of("en"), sentences_of(language)

    assert sorted(other) == sorted(english)
    assert {code: _values(other[code]) for code in english} == {code: _values(english[code]) for code in english}


def test_a_number_takes_the_decimal_mark_of_the_language() -> None:
    said = Said("number", {"value": 1.5, "unit": "mg/L"})

    assert [say(said, language) for language in LANGUAGES] == ["1.5 mg/L", *["1,5 mg/L"] * 4]


def test_what_is_not_in_the_catalogue_is_a_fault_of_the_program() -> None:
    with pytest.raises(KeyError):
        say(Said("no such sentence"))
    with pytest.raises(KeyError):
        sentences_of("xx")
