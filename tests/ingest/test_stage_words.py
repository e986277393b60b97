"""A stage is taken from whole words of a sampling point or label, and from nothing less."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.ingest.stage_words import derived_stages, stage_of
from pipeline.texts import TextColumn

# How people write taps before and after a filter in seven languages; plain language, no published list exists.
SAID = [
    ("raw", "raw"),
    ("Rohwasser Küche", "raw"),
    ("kitchen cold tap, before filter", "raw"),
    ("vor dem Enthärter", "raw"),
    ("en amont du filtre", "raw"),
    ("prima dell'addolcitore", "raw"),
    ("acqua non trattata", "raw"),
    ("sin tratar, cocina", "raw"),
    ("厨房原水", "raw"),
    ("pre-filter", "raw"),
    ("after filter", "treated"),
    ("Hahn nach Filter", "treated"),
    ("cuisine (après filtre)", "treated"),
    ("na het filter", "treated"),
    ("tap after filter", "treated"),
    ("Küche, nach", "treated"),
    ("depois do filtro", "treated"),
    ("after RO", "permeate"),
    ("hinter der Osmose", "permeate"),
    ("vor der Maschine", "machine_inlet"),
    ("hot water tap", "hot_outlet"),
    ("Hahn", "raw"),
    ("Kanne", "treated"),
    ("Maschine", "machine_inlet"),
    ("machine, raw", "raw"),
    ("Siebträger (nach Filter)", "treated"),
]
UNSAID = [
    "Strawberry bar",
    "Rohrleitung",
    "Nachbarhaus",
    "nach Umbau",
    "Vorstadt",
    "via Monte 3",
    "kitchen tap",
    "Café Hahn",
    "outlet tap 3",
    "浄水器",
    "Na",
    "raw / treated",
    "before and after",
    "not treated",
    "",
]


@pytest.mark.common_practice
@pytest.mark.parametrize(("text", "stage"), SAID)
def test_words_of_a_stage_name_it(text: str, stage: str) -> None:
    assert stage_of(text) == stage


@pytest.mark.common_practice
@pytest.mark.parametrize("text", UNSAID)
def test_parts_of_other_words_and_contradictions_name_no_stage(text: str) -> None:
    assert stage_of(text) == ""


def test_a_bottle_in_a_label_is_what_is_labelled() -> None:
    assert stage_of("flasche", label=True) == ""
    assert stage_of("V-1 after", label=True) == "treated"


def test_the_sampling_point_speaks_before_the_label_and_each_says_where_the_stage_came_from() -> None:
    points = TextColumn.from_series(pd.Series(["raw", "bar", ""], dtype="str"))
    labels = TextColumn.from_series(pd.Series(["A treated", "B treated", "C"], dtype="str"))

    stages, origin = derived_stages(points, labels)

    assert stages.tolist() == ["raw", "treated", ""]
    assert origin.tolist() == ["sampling point", "label", ""]
