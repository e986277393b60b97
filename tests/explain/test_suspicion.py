"""The check that weighs a whole record: what it holds, what it only notes, what it leaves alone."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.run import run_all
from pipeline.explain.rank import explain
from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.explain.verdicts import settled, told_of
from pipeline.normalise.sample_table import samples_from_wide

# A calcium bicarbonate water as a laboratory gives it: cations 5.99, anions 5.99 meq/L, conductivity that of its ions.
WATER = {
    "calcium_mg_l": 80.0,
    "magnesium_mg_l": 12.0,
    "sodium_mg_l": 20.0,
    "potassium_mg_l": 5.5,
    "bicarbonate_mg_l": 250.0,
    "sulfate_mg_l": 40.0,
    "chloride_mg_l": 36.0,
    "nitrate_mg_l": 10.0,
    "conductivity_us_cm_25c": 600.0,
    "ph": 7.4,
}


def judged(*changes: dict[str, float]) -> pd.DataFrame:
    rows = [{"file_sha256": "f" * 64, "label": f"W{place}", **WATER, **change} for place, change in enumerate(changes)]
    samples = samples_from_wide(pd.DataFrame(rows))
    checked = run_all(samples, Limits(), lambda _: None)
    after = settled(checked, explain(samples, checked.findings, Limits()), samples, Limits())
    found = after.findings[after.findings["check_id"] == "single-mistake"].set_index("sample_id")["severity"]
    said = found.reindex(after.verdict.index)
    return pd.DataFrame({"before": checked.verdict, "after": after.verdict, "found": said})


@pytest.mark.source("JCGM106")
def test_a_record_that_agrees_with_itself_is_left_alone() -> None:
    got = judged({}, {"conductivity_us_cm_25c": 612.0}, {"sodium_mg_l": 20.6})

    assert got["found"].isna().all()
    assert list(got["after"]) == list(got["before"])


@pytest.mark.source("JCGM106")
@pytest.mark.parametrize(
    ("change", "severity"),
    [
        ({"sodium_mg_l": 5.5, "potassium_mg_l": 20.0}, "note"),
        ({"sodium_mg_l": 2.5, "potassium_mg_l": 30.0}, "note"),
        ({"bicarbonate_mg_l": 205.0}, "note"),
        ({"sodium_mg_l": 2.0}, "hold"),
    ],
)
def test_a_record_within_what_analyses_are_off_by_is_held_only_where_one_cause_is_almost_certain(
    change: dict[str, float], severity: str
) -> None:
    """Charges 2 to 8 % apart, conductivity within 15 %: several causes would fit, or sodium 2.0 for 20 alone.

    More potassium than sodium is in hardly any water [HEM1985]: a note, since every relation agrees.
    """
    got = judged(change)

    assert got["before"].item() in ("ok", "note")
    assert got["found"].item() == severity
    assert got["after"].item() == severity


@pytest.mark.common_practice
def test_two_ions_in_an_unusual_proportion_are_a_note_though_the_hardness_is_a_little_off() -> None:
    """Magnesium chloride and potassium bicarbonate in pure water: 0.81 and 0.50 meq/L, hardness titrated 7 % high."""
    recipe = {"calcium_mg_l": 0.974, "magnesium_mg_l": 9.81, "sodium_mg_l": 2.8, "potassium_mg_l": 19.5}
    recipe |= {"bicarbonate_mg_l": 33.6, "sulfate_mg_l": 0.984, "chloride_mg_l": 33.3, "nitrate_mg_l": 0.1}
    recipe |= {"total_hardness_mg_l_caco3": 46.0, "conductivity_us_cm_25c": 189.7}
    known_to = {f"{name}.u": (0.03 if "caco3" in name or "us_cm" in name else 0.06) * recipe[name] for name in recipe}

    got = judged({**recipe, **known_to, "ph": 7.8})

    assert got["after"].item() == "note"


def test_what_a_check_holds_already_is_not_told_twice() -> None:
    got = judged({"calcium_mg_l": 800.0})

    assert got["before"].item() == "hold"
    assert got["found"].isna().all()


def test_the_check_is_listed_and_explanations_are_kept_for_the_samples_wanted() -> None:
    samples = samples_from_wide(pd.DataFrame([{**WATER, "file_sha256": "f" * 64, "label": "W"}] * 2))
    weighed = explain(samples, run_all(samples, Limits(), lambda _: None).findings, Limits())

    kept = told_of(weighed.tables(), samples.about.index[:1], samples.about.index[:0])

    assert "single-mistake" in KNOWN_CHECKS
    assert set(kept.explanations["sample_id"]) == {samples.about.index[0]}
