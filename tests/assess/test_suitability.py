"""Samples against machines and profiles, as tables, as text and as a page."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.assess.boiler import FULL, PLANNED
from pipeline.assess.machines import Machine, Part
from pipeline.assess.scale import ScaleLimits
from pipeline.assess.suitability import (
    NOT_A_WATER,
    ON_HOLD,
    VERDICT_COLUMNS,
    AssessSettings,
    assess,
    held_samples,
)
from pipeline.errors import KettlestoneError
from pipeline.report.batch.assessment import assessment_text, block
from pipeline.report.terminal.assess import convert_text, one_off
from schemas.tables import QUANTITY_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.assess.suitability import Assessment
    from pipeline.normalise.sample_table import SampleTable

    Build = Callable[..., SampleTable]

# The machine of the worked year: 75 % at 95 °C, 25 % at 125 °C, 60 L a day.
YEAR = Machine("year", "year", (Part("brew", 95.0, 0.75), Part("steam", 125.0, 0.25)), litres_per_day=60.0)
THREE = {"th": [314.7, 143.0, 85.0], "alk": [260.0, 71.0, 50.0], "ph": [7.3, 6.6, 7.0], "cl": [10.0, 10.0, 10.0],
         "sample_id": ["raw", "treated", "soft"]}  # fmt: skip


def figures(found: Assessment, quantity: str) -> pd.DataFrame:
    rows = found.quantities[found.quantities["quantity"] == quantity]
    return rows.set_index("sample_id")[["low", "value", "high"]]


@pytest.fixture(scope="module")
def three(waters: Build) -> Assessment:
    return assess(waters(**THREE), {"year": YEAR}, settings=AssessSettings(machine="year"))


@pytest.mark.source("PLANTABLE")
def test_w9_the_planned_year(three: Assessment) -> None:
    """3.98, 0.53 and 0.06 kg a year."""
    planned = figures(three, "planning_scale_per_year")["value"]

    assert planned["raw"] == pytest.approx(3.98, rel=5e-3)
    assert planned["treated"] == pytest.approx(0.53, rel=5e-3)
    assert planned["soft"] == pytest.approx(0.063, rel=5e-3)


@pytest.mark.common_practice
def test_w9_the_full_solution_has_the_same_order_and_holds_the_rule(three: Assessment) -> None:
    full, planned = figures(three, "scale_per_year"), figures(three, "planning_scale_per_year")["value"]

    assert full["value"]["raw"] > full["value"]["treated"] > full["value"]["soft"] >= 0.0
    assert ((full["low"] <= planned) & (planned <= full["high"])).all()


@pytest.mark.common_practice
def test_boiler_words_of_the_worked_waters(three: Assessment) -> None:
    words = three.verdicts.drop_duplicates("sample_id").set_index("sample_id")["boiler_verdict"]

    assert words["raw"] == "act"
    assert words["treated"].endswith("act")
    assert words["soft"].endswith("attention")


@pytest.mark.common_practice
def test_in_the_zone_is_not_safe_in_the_boiler(three: Assessment) -> None:
    """143/71 lies inside the European chart and still drops about 30 g per 1000 L at 125 °C."""
    rows = three.verdicts.set_index(["sample_id", "profile"])
    treated = rows.loc[("treated", "European water chart 2016")]

    assert treated["cup_zone"] == "in zone"
    assert treated["boiler_verdict"] != "suitable"


def test_tables_have_their_columns_and_a_row_per_sample_and_profile(three: Assessment) -> None:
    assert list(three.quantities.columns) == QUANTITY_COLUMNS
    assert list(three.verdicts.columns) == VERDICT_COLUMNS
    assert len(three.verdicts) == 3 * 3
    assert not three.verdicts.isna().any().any()
    assert (three.quantities[["value", "low", "high"]].notna().any(axis=1)).all()


def test_held_and_control_samples_are_not_assessed(waters: Build) -> None:
    samples = waters(**THREE, activity=["routine", "blank", "routine"])
    found = assess(samples, held=pd.Index(["raw"]))
    words = found.verdicts.drop_duplicates("sample_id").set_index("sample_id")["boiler_verdict"]

    assert words["raw"] == ON_HOLD
    assert words["treated"] == NOT_A_WATER
    assert set(found.quantities["sample_id"]) == {"soft"}
    assert len(found.verdicts) == 9


def test_only_serious_findings_on_deciding_readings_hold_a_sample() -> None:
    findings = pd.DataFrame(
        {
            "sample_id": ["a", "b", "c", "d", None],
            "severity": ["hold", "note", "reject", "hold", "hold"],
            "analyte": ["alkalinity total_hardness", "alkalinity", "conductivity", "copper", "alkalinity"],
        }
    )

    assert held_samples(findings).tolist() == ["a", "c"]


def test_an_unknown_machine_is_said_so(waters: Build) -> None:
    found = assess(waters(th=100.0, alk=60.0, machine="steam engine"))

    assert found.verdicts["machine"].unique().tolist() == ["not known"]
    assert found.verdicts["unknowns"].str.contains("machine not known").all()
    with pytest.raises(ValueError, match="steam engine"):
        assess(waters(th=100.0), settings=AssessSettings(machine="steam engine"))


def test_the_order_of_samples_does_not_matter(waters: Build) -> None:
    backwards = {name: value[::-1] for name, value in THREE.items()}
    one, two = assess(waters(**THREE)), assess(waters(**backwards))
    keys = ["sample_id", "profile"]

    pd.testing.assert_frame_equal(
        one.verdicts.sort_values(keys, ignore_index=True), two.verdicts.sort_values(keys, ignore_index=True)
    )


def test_many_samples_get_the_planning_rule_and_it_is_said(waters: Build) -> None:
    settings = AssessSettings(scale=ScaleLimits(full_solution_up_to=2))
    quick, full = assess(waters(**THREE), settings=settings), assess(waters(**THREE))

    methods = {
        name: set(found.quantities.loc[found.quantities["quantity"] == "scale_steam", "method"])
        for name, found in (("quick", quick), ("full", full))
    }
    assert methods == {"quick": {PLANNED}, "full": {FULL}}
    word = [
        x.verdicts.drop_duplicates("sample_id")["boiler_verdict"].str.split().str[-1].tolist() for x in (quick, full)
    ]
    assert word[0] == word[1]


def of_batch(about: pd.DataFrame, verdict: str) -> pd.DataFrame:
    """Give samples what a batch knows of them, and one verdict."""
    stated = {name: about.get(name, "") for name in ("client", "site", "stage")}
    return about.assign(**stated, collected_at=pd.NaT, verdict=verdict)


def test_nothing_to_assess_is_no_error(waters: Build) -> None:
    found = assess(waters(**THREE), held=pd.Index(["raw", "treated", "soft"]))

    assert found.quantities.empty
    assert "could be assessed" in block(found, of_batch(waters(**THREE).about, "hold"))
    assert "3 samples not assessed: data on hold" in assessment_text(found, waters(**THREE).about)


def test_the_page_escapes_what_files_wrote(waters: Build) -> None:
    samples = waters(**THREE, called=["<b>x</b>", "y", "z"])
    html = block(assess(samples), of_batch(samples.about, "ok"))

    assert "&lt;b&gt;x" in html
    assert "<b>x</b>" not in html
    assert "European water chart 2016" in html
    assert "not a drinking-water assessment" in html


def test_the_page_shows_fifty_and_counts_the_rest(waters: Build) -> None:
    """The worst stand first: the hard waters come before the soft ones."""
    hardness = [float(50 + 5 * number) for number in range(60)]
    samples = waters(th=hardness, alk=hardness, sample_id=[f"s{number}" for number in range(60)])
    found = assess(samples)
    html = block(found, of_batch(samples.about, "ok"))

    assert html.count("<b>Cup:</b>") == 50
    assert "50 of 60 places" in html
    assert ">s59<" in html
    assert ">s0<" not in html
    assert "10 more samples" in assessment_text(found, samples.about)


@pytest.mark.common_practice
def test_one_off_of_the_worked_water() -> None:
    text = one_off(ca=80, mg=12, na=20, hco3=250, cl=36, so4=40, ph=7.4, machine="HX", litres_per_day=60)

    assert "heat exchanger" in text
    assert "heavy scale" in text
    assert "kg a year" in text
    assert "chloride 36 mg/L (attention above 30)" in text


def test_one_off_as_data_for_one_profile() -> None:
    data = json.loads(one_off(th=214.2, alk=142.8, profile="2018 handbook", as_json=True))

    assert [row["profile"] for row in data["verdicts"]] == ["2018 handbook"]
    assert {row["quantity"] for row in data["quantities"]} >= {"scale_steam", "planning_scale_brew"}


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({}, "at least one reading"),
        ({"th": -1.0}, "th -1"),
        ({"th": float("nan")}, "th nan"),
        ({"tth": 1.0}, "tth"),
        ({"th": 1.0, "machine": "steam engine"}, "steam engine"),
        ({"th": 1.0, "profile": "mine"}, "mine"),
    ],
)
def test_one_off_refuses_what_it_does_not_understand(values: dict[str, object], words: str) -> None:
    with pytest.raises(KettlestoneError, match=words):
        one_off(**values)  # type: ignore[arg-type]


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("value", "source", "target", "analyte", "expected"),
    [
        (7, "°dH", "mg/L as CaCO3", "hardness", 124.94),
        (10, "gpg", "°dH", "hardness", 9.5910),
        (250, "mg/L as HCO3", "mg/L as CaCO3", "alkalinity", 205.04),
        (67.7, "mS/m", "µS/cm", "ec", 677.0),
        (50, "°F", "°C", "temperature", 10.0),
    ],
)
def test_units_convert(value: float, source: str, target: str, analyte: str, expected: float) -> None:
    """7 °dH = 124.94 mg/L; 10 gr/gal = 9.5910 °dH; 250 mg/L HCO3 = 205.04 mg/L CaCO3; 1 mS/m = 10 µS/cm."""
    text = convert_text(value, source, target, analyte)

    assert float(text.split("= ")[1].split(" ")[0]) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(
    ("value", "source", "target", "analyte", "words"),
    [
        (1.0, "furlong", "mg/L", "hardness", "furlong"),
        (1.0, "mg/L", "µS/cm", "hardness", "µS/cm"),
        (1.0, "mg/L", "mg/L", "taste", "taste"),
        (np.inf, "mg/L", "mg/L", "chloride", "not a number"),
    ],
)
def test_units_that_do_not_fit_are_refused(value: float, source: str, target: str, analyte: str, words: str) -> None:
    with pytest.raises(KettlestoneError, match=words):
        convert_text(value, source, target, analyte)
