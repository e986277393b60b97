"""Names that no table spells are read as sets of words, every one of which must be explained."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest

import schemas
from pipeline.ingest.headings import read_heading
from pipeline.ingest.names import left_over, read_name
from pipeline.ingest.spellings import word_keys
from schemas.columns import ANALYTES, OTHER_ANALYTES
from schemas.tables import ROW_FIELDS

TABLE: Final = json.loads(Path(schemas.__file__).with_name("name_words.json").read_text(encoding="utf-8"))


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("text", "code", "basis"),
    [
        ("Härte, gesamt, berechnet", "total_hardness", ""),
        ("Totale hardheid / dureté totale", "total_hardness", ""),
        ("Calcio / Calcium", "calcium", ""),
        ("Bicarbonatos", "bicarbonate", ""),
        ("ALKALINITY TOTAL CACO3", "alkalinity", "as CaCO3"),
        ("nitrogen, nitrate", "nitrate", "as N"),
        ("NO3_N", "nitrate", "as N"),
        ("NO3+NO2 as N", "nitrate_nitrite", "as N"),
        ("总硬度", "total_hardness", ""),
        ("tot_hard", "total_hardness", ""),
        ("Nitratgehalt", "nitrate", ""),
    ],
)
def test_order_language_number_and_compounds_do_not_matter(text: str, code: str, basis: str) -> None:
    heading = read_heading(text)
    found = heading.chosen()

    assert found is not None
    assert (found.code, heading.basis or found.basis) == (code, basis)


@pytest.mark.parametrize(
    "text",
    [
        "sno",
        "hardness of the rock",
        "Calcium / Magnesium",
        "oxygen demand",
        "air temperature",
        "Härte (Calcium)",
    ],
)
def test_a_word_too_many_or_two_quantities_are_no_name(text: str) -> None:
    assert read_heading(text).chosen() is None


def test_what_nothing_explains_is_named() -> None:
    assert left_over("total hardness of the rock (mg/L)") == ("rock",)
    assert left_over("Gizmo") == ()


def test_a_column_name_cut_at_ten_letters_has_one_continuation() -> None:
    """A dBASE table keeps ten letters of a name; nine letters were not cut."""
    assert read_name("Conductivi", cut=True) is not None
    assert read_name("Conductiv", cut=True) is None
    assert read_name("Conductivi") is None


def test_a_mean_or_an_extreme_is_no_reading() -> None:
    assert read_heading("Calcium max (mg/L)").affix == "statistic"
    assert read_heading("Calcium mean (mg/L)").affix == "statistic"
    assert read_heading("Calcium total (mg/L)").affix == ""


@pytest.mark.common_practice
def test_symbols_in_any_letters_are_ions_beside_other_ions() -> None:
    for text, ion in (("na", "sodium"), ("NA", "sodium"), ("k", "potassium")):
        heading = read_heading(text)

        assert heading.chosen() is None
        assert heading.chosen(frozenset({"calcium"})).code == ion  # type: ignore[union-attr]


def test_the_words_of_names_are_used_and_stand_for_quantities() -> None:
    used = {word for rule in TABLE["names"] for word in (*rule["of"], *rule.get("may", ()))}
    quantities = {rule["analyte"] for rule in TABLE["names"] if "analyte" in rule}
    fields = {rule["field"] for rule in TABLE["names"] if "field" in rule}

    assert quantities <= {*ANALYTES, *OTHER_ANALYTES}
    assert fields <= set(ROW_FIELDS)
    assert set(TABLE["words"]) <= used | set(TABLE["fillers"])
    assert all(word_keys(words) for words in TABLE["words"].values())
