"""Raw and treated water of one visit against what the treatment promises."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import KettlestoneError
from pipeline.verify import Circumstances, Schedule, verify
from pipeline.verify.bypass import solve_bypass
from pipeline.verify.causes import Readings
from pipeline.verify.promised import half_width, promise
from pipeline.words import LANGUAGES, say

HARDNESS, ALKALINITY, CONDUCTIVITY = (
    "total_hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "conductivity_us_cm_25c",
)
SODIUM, CHLORIDE, CHLORINE = "sodium_mg_l", "chloride_mg_l", "free_chlorine_mg_l"
DEGREE = 17.848  # mg/L as CaCO3
SODIUM_PER_HARDNESS = 0.4594  # mg Na per mg CaCO3, 22.990 / 50.043


def water(hardness: float, alkalinity: float, conductivity: float = np.nan, **more: float) -> pd.Series:
    values = {HARDNESS: hardness, ALKALINITY: alkalinity, CONDUCTIVITY: conductivity, "temperature_c": 15.0}
    return pd.Series({**values, "ph": 7.4, **more})


def exact(share: float = 0.02) -> tuple[pd.Series, pd.Series]:
    """Give the uncertainties of a laboratory: k = 2, in the units of the waters used here."""
    widths = pd.Series({HARDNESS: 300.0, ALKALINITY: 250.0, CONDUCTIVITY: 600.0, SODIUM: 30.0, CHLORIDE: 50.0})
    return widths * share, widths * share


# A German café: 14 and 11 drops before, 7 and 4 drops after, one degree each.
RAW, TREATED = water(249.9, 196.3, 533.0), water(124.9, 71.4, 335.0, ph=6.6)
DROPS = (pd.Series({HARDNESS: 31.0, ALKALINITY: 25.0}), pd.Series({HARDNESS: 18.0, ALKALINITY: 13.0}))


@pytest.mark.common_practice
def test_a_decarboniser_at_its_recorded_bypass_is_proved() -> None:
    """The valve stands at 4/11 = 36.4 %: hardness and alkalinity both fell by 7 degrees."""
    found = verify(RAW, TREATED, "decarboniser", {"bypass": 0.36}, DROPS)

    assert (found.outcome, found.causes[0].name) == ("proved", "as set")
    assert found.bypass_by[ALKALINITY].value == pytest.approx(4 / 11, abs=0.002)
    assert found.bypass.low < 4 / 11 < found.bypass.high
    assert found.bypass_agrees


@pytest.mark.common_practice
@pytest.mark.parametrize(("leak", "share"), [(0.0, 4 / 14), (1.0, 3 / 13)])
def test_the_bypass_is_solved_back_with_and_without_a_leak(leak: float, share: float) -> None:
    """The bypass is (out - leak) / (in - leak): 4 of 14 degrees are 28.6 %, with a leak of one degree 23.1 %."""
    raw, treated = water(18 * DEGREE, 14 * DEGREE), water(8 * DEGREE, 4 * DEGREE)

    found = verify(raw, treated, "decarboniser", {"leak_mg_l_caco3": leak * DEGREE}, exact())

    assert found.bypass_by[ALKALINITY].value == pytest.approx(share, abs=0.003)
    assert found.outcome == "proved"
    assert found.findings[0].code == "verify.outcome.unrecorded"


@pytest.mark.common_practice
def test_a_softener_adds_the_sodium_of_the_hardness_it_takes() -> None:
    """392.5 to 89.2 mg/L is a bypass of 22.7 %; sodium 12 + 303.3 · 0.4594 = 151 mg/L; alkalinity stays."""
    sodium = 12 + (392.5 - 89.2) * SODIUM_PER_HARDNESS
    raw = water(392.5, 267.4, 782.0, sodium_mg_l=12.0, chloride_mg_l=36.0)
    treated = water(89.2, 267.4, 760.0, sodium_mg_l=sodium, chloride_mg_l=36.0)

    found = verify(raw, treated, "softener", {"bypass": 0.227}, exact())

    assert sodium == pytest.approx(151, abs=0.5)
    assert found.outcome == "proved"
    assert found.bypass.value == pytest.approx(89.2 / 392.5, abs=0.01)
    assert {one.column: one.role for one in found.compared}[ALKALINITY] == "keeps"


@pytest.mark.common_practice
def test_the_blend_behind_a_membrane_is_solved_from_its_conductivity() -> None:
    """The share of raw water is (50 - 13) / (260 - 13) = 0.150 of raw water; hardness 61.5, chloride 11.9."""
    raw = water(319.7, 260.0, 735.0, sodium_mg_l=36.0, chloride_mg_l=62.0, sulfate_mg_l=48.0)
    product = water(61.5, 50.0, 146.0, sodium_mg_l=6.9, chloride_mg_l=11.9, ph=6.7)

    found = verify(raw, product, "reverse osmosis", {"bypass": 0.15, "rejection": 0.95}, exact())

    assert found.outcome == "proved"
    assert found.bypass_by[ALKALINITY].value == pytest.approx(0.150, abs=0.002)
    assert found.bypass_by[CHLORIDE].value == pytest.approx(0.150, abs=0.01)
    assert CONDUCTIVITY in found.bypass_by


@pytest.mark.common_practice
def test_swapped_labels_are_named_and_nothing_is_swapped() -> None:
    """An Italian bar: 12 and 6 °f "before", 32 and 26 °f "after"."""
    found = verify(water(120.0, 60.0, 370.0, ph=6.3), water(320.0, 260.0, 680.0, ph=7.6), "decarboniser")

    assert (found.outcome, found.causes[0].name) == ("not proved", "swapped labels")
    assert found.measured[HARDNESS].value == 320.0


@pytest.mark.common_practice
def test_a_conductivity_in_another_unit_does_not_hide_swapped_labels() -> None:
    """The same bar as it was written: 0.68 after, which is no µS/cm beside 320 mg/L of hardness."""
    found = verify(water(120.0, 60.0, 370.0, ph=6.3), water(320.0, 260.0, 0.68, ph=7.6), "decarboniser")

    assert found.causes[0].name == "swapped labels"
    assert "verify.conductivity_unit" in [said.code for said in found.findings]


def test_a_valve_at_another_place_is_partly_proved_and_said() -> None:
    found = verify(RAW, TREATED, "decarboniser", {"bypass": 0.10}, DROPS)

    assert found.outcome == "partly"
    assert {one.name for one in found.causes[:2]} == {"moved valve", "exhausted media"}
    assert "verify.bypass.against" in [said.code for said in found.findings]


@pytest.mark.parametrize(("used", "first"), [(0.2, "moved valve"), (1.2, "exhausted media")])
def test_the_life_that_is_used_tells_the_valve_from_the_medium(used: float, first: str) -> None:
    found = verify(RAW, TREATED, "decarboniser", {"bypass": 0.10}, DROPS, visit=Circumstances(used=used))

    assert found.causes[0].name == first


def test_water_that_went_through_untreated_is_not_proved() -> None:
    found = verify(RAW, RAW, "decarboniser", {"bypass": 0.3}, DROPS)

    assert (found.outcome, found.causes[0].name) == ("not proved", "no effect")


def test_the_pattern_of_another_treatment_names_it() -> None:
    """Hardness alone fell: that is a softener, whatever was recorded."""
    found = verify(RAW, water(60.0, 196.0, 525.0), "decarboniser", {"bypass": 0.3}, DROPS)

    assert (found.outcome, found.causes[0].name, found.causes[0].detail) == (
        "not proved",
        "another treatment",
        "softener",
    )
    assert found.bypass_agrees is False


def test_one_wrong_reading_among_right_ones_is_named() -> None:
    product = water(124.9, 71.4, 900.0, ph=6.6)

    found = verify(RAW, product, "decarboniser", {"bypass": 0.36}, DROPS)

    assert (found.outcome, found.causes[0].name, found.causes[0].detail) == ("partly", "odd reading", CONDUCTIVITY)


@pytest.mark.common_practice
def test_a_membrane_that_lets_a_fifth_through_is_the_cause() -> None:
    raw, product = water(319.7, 260.0, 735.0), water(102.0, 83.0, 240.0)
    permeate = water(60.0, 48.0, 147.0)

    worn = verify(raw, product, "reverse osmosis", {"bypass": 0.15}, exact(), visit=Circumstances(permeate=permeate))
    fine = verify(
        raw,
        product,
        "reverse osmosis",
        {"bypass": 0.15},
        exact(),
        visit=Circumstances(permeate=water(13.0, 11.0, 33.0)),
    )

    assert worn.causes[0].name == "failed membrane"
    assert worn.rejection is not None
    assert worn.rejection.value == pytest.approx(1 - 147 / 735)
    assert "verify.membrane" in [said.code for said in worn.findings]
    assert fine.causes[0].name == "moved valve"
    assert "verify.membrane" not in [said.code for said in fine.findings]


def test_a_membrane_worse_than_twice_its_own_baseline_is_looked_at() -> None:
    visit = Circumstances(permeate=water(20.0, 16.0, 50.0), permeate_baseline=0.03)

    found = verify(water(319.7, 260.0, 735.0), water(61.5, 50.0, 146.0), "reverse osmosis", visit=visit)

    assert "verify.membrane" in [said.code for said in found.findings]


def test_a_change_smaller_than_its_uncertainty_proves_nothing() -> None:
    raw, product = water(60.0, 30.0), water(45.0, 15.0)
    wide = pd.Series({HARDNESS: 40.0, ALKALINITY: 40.0})

    assert verify(raw, product, "decarboniser", {"bypass": 0.5}, (wide, wide)).outcome == "cannot tell"


def test_without_the_quantities_it_changes_nothing_can_be_told() -> None:
    found = verify(RAW, pd.Series({"ph": 6.6}), "decarboniser", {"bypass": 0.36})

    assert (found.outcome, found.causes) == ("cannot tell", ())
    assert sum(said.code == "verify.not_measured" for said in found.findings) == 3


def test_a_pair_on_hold_proves_nothing() -> None:
    found = verify(RAW, TREATED, "decarboniser", {"bypass": 0.36}, DROPS, visit=Circumstances(on_hold=True))

    assert found.outcome == "cannot tell"
    assert "verify.on_hold" in [said.code for said in found.findings]


@pytest.mark.common_practice
def test_carbon_is_proved_by_the_chlorine_it_takes() -> None:
    raw = water(107.0, 100.0, 240.0, free_chlorine_mg_l=0.5)

    good = verify(raw, water(107.0, 100.0, 241.0, free_chlorine_mg_l=0.02), "carbon")
    spent = verify(raw, water(107.0, 100.0, 241.0, free_chlorine_mg_l=0.4), "carbon")

    assert (good.outcome, spent.outcome) == ("proved", "not proved")


@pytest.mark.common_practice
@pytest.mark.parametrize(("ph", "code"), [(4.6, "verify.ph.unflushed"), (7.9, "verify.ph.open_cup")])
def test_the_ph_tells_an_unflushed_filter_and_an_open_cup(ph: float, code: str) -> None:
    product = TREATED.copy()
    product["ph"] = ph

    found = verify(RAW, product, "decarboniser", {"bypass": 0.36}, DROPS)

    assert code in [said.code for said in found.findings]
    assert found.outcome == "proved"


def test_frames_of_one_row_are_as_good_as_series() -> None:
    as_frames = verify(RAW.to_frame().T, TREATED.to_frame().T, "decarboniser", {"bypass": 0.36}, DROPS)

    assert as_frames.outcome == "proved"
    with pytest.raises(ValueError, match="one water"):
        verify(pd.DataFrame([RAW, RAW]), TREATED, "decarboniser")


def test_an_unknown_treatment_is_refused() -> None:
    with pytest.raises(KettlestoneError, match="not known"):
        verify(RAW, TREATED, "magnet")


def test_the_next_test_follows_the_outcome() -> None:
    visit = Circumstances(schedule=Schedule(pd.Timestamp("2025-03-12"), pd.Timestamp("2025-02-03"), 2, 38.0))

    right = verify(RAW, TREATED, "decarboniser", {"bypass": 0.36}, DROPS, visit=visit)
    wrong = verify(RAW, RAW, "decarboniser", {"bypass": 0.36}, DROPS, visit=visit)

    assert right.next_test.on == pd.Timestamp("2025-06-10")  # 80 % of 38 days is past: 90 days after the test
    assert wrong.next_test.on == pd.Timestamp("2025-03-26")


@pytest.mark.common_practice
@pytest.mark.parametrize("treatment", ["remineraliser", "jug", "none", "magnesium exchanger", "demineraliser"])
def test_every_treatment_can_be_held_against_its_own_prediction(treatment: str) -> None:
    """A product made by the prediction itself is never called wrong."""
    from pipeline.treat.processes.treatments import treat  # noqa: PLC0415 - the other side of the comparison

    raw = water(320.0, 260.0, 680.0, calcium_mg_l=100.0, magnesium_mg_l=17.2, sodium_mg_l=20.0)
    product = treat(raw.to_frame().T.astype("float64"), treatment).iloc[0]

    found = verify(raw, product, treatment, uncertainty=exact())

    assert found.outcome in ("proved", "partly", "cannot tell")
    assert not [one for one in found.compared if one.verdict == "differs"]


def test_everything_can_be_said_in_every_language() -> None:
    pairs = [(RAW, TREATED), (TREATED, RAW), (RAW, RAW), (RAW, water(60.0, 196.0, 525.0))]
    results = [verify(a, b, "decarboniser", {"bypass": 0.3}, DROPS) for a, b in pairs]
    said = [one for found in results for one in found.findings]
    said += [cause.said for found in results for cause in found.causes]
    said += [found.next_test.said for found in results]

    assert all(say(one, language) for one in said for language in LANGUAGES)


def test_the_arguments_are_left_as_they_are() -> None:
    before, after = RAW.copy(), TREATED.copy()

    verify(before, after, "decarboniser", {"bypass": 0.3}, DROPS)

    pd.testing.assert_series_equal(before, RAW)
    pd.testing.assert_series_equal(after, TREATED)


@pytest.mark.source("JCGM100")
def test_the_range_of_the_bypass_holds_the_truth_nineteen_times_in_twenty() -> None:
    """Simulated readings of known uncertainty, k = 2: thirty pairs behind a decarboniser."""
    random = np.random.default_rng(11)
    width = pd.Series({HARDNESS: 6.0, ALKALINITY: 5.0})
    held = []
    for _ in range(30):
        share = random.uniform(0.15, 0.6)
        raw, after = (
            pd.Series({HARDNESS: hardness + random.normal(0, 3.0), ALKALINITY: alkalinity + random.normal(0, 2.5)})
            for hardness, alkalinity in ((250.0, 200.0), (250 - (1 - share) * 200, share * 200))
        )
        readings = Readings(raw, after, half_width(raw, width), half_width(after, width))
        best = solve_bypass(promise(raw, width, "decarboniser", {}), readings).best
        held.append(best.low <= share <= best.high)

    assert np.mean(held) >= 0.90


@pytest.mark.common_practice
def test_a_membrane_better_than_planned_is_no_fault() -> None:
    """3 % of the feed behind a membrane planned with 5 % is nothing to find fault with."""
    raw, permeate = water(320.0, 260.0, 735.0), water(9.6, 7.8, 24.0, ph=5.9)

    found = verify(raw, permeate, "reverse osmosis", {"bypass": 0.15}, exact(),
                   visit=Circumstances(permeate=permeate, before_blending=True))  # fmt: skip

    assert (found.outcome, found.causes[0].name) == ("proved", "as set")
    assert not any(said.code.startswith("verify.bypass") for said in found.findings)


@pytest.mark.common_practice
def test_a_membrane_that_lets_a_fifth_through_is_no_open_valve() -> None:
    raw, permeate = water(320.0, 260.0, 735.0), water(61.0, 50.0, 141.0, ph=6.4)

    found = verify(raw, permeate, "reverse osmosis", {"bypass": 0.15}, exact(),
                   visit=Circumstances(permeate=permeate, before_blending=True))  # fmt: skip

    assert (found.outcome, found.causes[0].name) == ("partly", "failed membrane")
    assert "moved valve" not in [cause.name for cause in found.causes]


@pytest.mark.common_practice
def test_chlorine_behind_carbon_means_used_up_carbon() -> None:
    """0.9 before and 0.5 behind, at most 0.1 is allowed: the minerals agree and say nothing of it."""
    raw, treated = (water(110.0, 60.0, 280.0, **{CHLORINE: value}) for value in (0.9, 0.5))

    found = verify(raw, treated, "carbon", {}, exact())

    assert found.outcome != "proved"
    assert found.causes[0].name == "exhausted media"
    assert "as set" not in [cause.name for cause in found.causes]
    assert sum(cause.probability for cause in found.causes) == pytest.approx(1.0, abs=0.01)
