"""What must hold for any water."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipeline.chemistry import carbonate, composition, heating, mixing, results, saturation

if TYPE_CHECKING:
    from hypothesis.strategies import SearchStrategy

CACO3, CALCIUM, BICARBONATE = 100.0869, 40.078, 61.0168


PER_MEQ = {
    "calcium_mg_l": 20.039, "magnesium_mg_l": 12.1525, "potassium_mg_l": 39.0983,
    "bicarbonate_mg_l": -61.0168, "sulfate_mg_l": -48.0313,
}  # fmt: skip
RANGES = {
    "calcium_mg_l": (5.0, 200.0), "magnesium_mg_l": (0.0, 60.0), "bicarbonate_mg_l": (20.0, 450.0),
    "sulfate_mg_l": (0.0, 300.0), "silica_mg_l": (0.0, 40.0), "potassium_mg_l": (0.0, 20.0),
    "ph": (6.0, 8.8), "temperature_c": (1.0, 95.0),
}  # fmt: skip


def balanced(row: dict[str, float]) -> pd.DataFrame:
    """Close the balance with sodium or chloride, on top of a little salt."""
    excess = sum(row[name] / mass for name, mass in PER_MEQ.items())
    salt = {
        "sodium_mg_l": 22.98977 * (0.5 + max(-excess, 0.0)),
        "chloride_mg_l": 35.453 * (0.5 + max(excess, 0.0)),
    }
    return pd.DataFrame([row | salt])


def waters(**other: tuple[float, float]) -> SearchStrategy[pd.DataFrame]:
    """One drinking water of any kind, electroneutral."""
    ranges = {**RANGES, **other}
    return st.fixed_dictionaries({name: st.floats(*span) for name, span in ranges.items()}).map(balanced)


solvable = waters(ph=(6.0, 8.0))  # hot and alkaline, silicate alone can exceed 20 mg/L of alkalinity
buffered = waters(bicarbonate_mg_l=(100.0, 450.0), ph=(6.0, 8.0))
# Not shrunk: each step would solve several waters, and the failing water is printed anyway.
quick = settings(max_examples=20, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))


def one(result: pd.DataFrame, name: str) -> float:
    assert result["converged"].all(), result["reason"].tolist()
    return float(result[name].item())


@quick
@given(waters())
def test_the_closed_balance_is_electroneutral(water: pd.DataFrame) -> None:
    cases = composition.prepare(water.drop(columns=["sodium_mg_l", "chloride_mg_l"])).cases

    charge = composition.CHARGE_OF_ION @ cases.ions - cases.alkalinity
    assert charge == pytest.approx(0.0, abs=1e-15)


def _with_calcite(water: pd.DataFrame, milligrams: float) -> pd.DataFrame:
    """Let the water take up (or drop) calcite, nothing else leaving."""
    total = carbonate.speciate(water)["total_carbonate_mmol_kg"] + milligrams / CACO3
    changed = water.assign(
        calcium_mg_l=water["calcium_mg_l"] + milligrams / CACO3 * CALCIUM,
        bicarbonate_mg_l=water["bicarbonate_mg_l"] + 2 * milligrams / CACO3 * BICARBONATE,
    )
    return changed.assign(ph=carbonate.speciate_from_total(changed, total)["ph"])


@quick
@given(solvable)
def test_a_water_that_dropped_its_potential_is_saturated(water: pd.DataFrame) -> None:
    potential = one(saturation.saturate(water), "ccpp_mg_l_caco3")

    result = saturation.saturate(_with_calcite(water, -potential))

    assert one(result, "calcite_si") == pytest.approx(0.0, abs=1e-6)
    assert one(result, "ccpp_mg_l_caco3") == pytest.approx(0.0, abs=1e-4)


@quick
@given(solvable, st.floats(1.0, 100.0))
def test_calcite_dissolved_is_calcite_to_precipitate(water: pd.DataFrame, milligrams: float) -> None:
    before, after = (saturation.saturate(_with_calcite(water, taken)) for taken in (0.0, milligrams))

    gained = one(after, "ccpp_mg_l_caco3") - one(before, "ccpp_mg_l_caco3")
    assert gained == pytest.approx(milligrams, abs=1e-4)


@quick
@given(solvable)
def test_index_and_potential_have_the_same_sign(water: pd.DataFrame) -> None:
    result = saturation.saturate(water)

    assert np.sign(one(result, "calcite_si")) == np.sign(one(result, "ccpp_mg_l_caco3"))


@quick
@given(buffered, st.sampled_from(["calcium_mg_l", "bicarbonate_mg_l", "ph", "temperature_c"]))
def test_the_index_rises_with_calcium_alkalinity_ph_and_temperature(water: pd.DataFrame, name: str) -> None:
    """Each alone: more of either partner, less acid, less solubility.

    In soft water of high pH, hydroxide and silicate take up the alkalinity and the rule ends.
    """
    step = {"ph": 0.05, "temperature_c": 2.0}.get(name, 5.0)

    low, high = saturation.saturate(water), saturation.saturate(water.assign(**{name: water[name] + step}))

    assert one(high, "calcite_si") > one(low, "calcite_si")


@quick
@given(buffered, st.floats(30.0, 110.0), st.floats(2.0, 30.0))
def test_hotter_closed_water_drops_more(water: pd.DataFrame, to_c: float, more: float) -> None:
    """Of bicarbonate waters; soft ones of pH 8.5 lose more pH on heating than calcite loses solubility."""
    water = water.assign(temperature_c=25.0)
    cool, hot = (heating.heat(water, at, "closed") for at in (to_c, to_c + more))

    assert one(hot, "ccpp_mg_l_caco3") > one(cool, "ccpp_mg_l_caco3")


@quick
@given(solvable, st.floats(0.0, 1.0))
def test_a_blend_of_a_water_with_itself_is_itself(water: pd.DataFrame, share: float) -> None:
    twice = pd.concat([water, water]).set_axis(["first", "second"])

    mixed = mixing.blend(twice, pd.Series({"first": share, "second": 1.0 - share}))

    assert mixed["ph"].item() == pytest.approx(water["ph"].item(), abs=1e-7)
    assert mixed["calcium_mg_l"].item() == pytest.approx(water["calcium_mg_l"].item())


def test_row_order_changes_nothing(random_waters: pd.DataFrame) -> None:
    shuffled = random_waters.sample(frac=1.0, random_state=1)

    straight = saturation.saturate(random_waters)
    back = saturation.saturate(shuffled).loc[random_waters.index]

    numbers = straight.select_dtypes("number").columns
    assert back[numbers].to_numpy() == pytest.approx(straight[numbers].to_numpy(), rel=1e-10, abs=1e-10)
    assert back["reason"].equals(straight["reason"])


@pytest.mark.parametrize("block", [1, 7, 64])
def test_block_size_changes_nothing(random_waters: pd.DataFrame, monkeypatch: pytest.MonkeyPatch, block: int) -> None:
    some = random_waters.iloc[:130]
    whole = heating.heat(some, 93.0, "closed")

    monkeypatch.setattr(results, "BLOCK", block)
    parts = heating.heat(some, 93.0, "closed")

    numbers = whole.select_dtypes("number").columns
    assert parts[numbers].to_numpy() == pytest.approx(whole[numbers].to_numpy(), rel=1e-10, abs=1e-10)


def test_index_and_columns_survive(random_waters: pd.DataFrame) -> None:
    labelled = random_waters.iloc[:5].set_axis(list("abcde"))

    for result in (saturation.saturate(labelled), heating.heat(labelled, 93.0, "open")):
        assert result.index.tolist() == list("abcde")
        assert all(str(result[name].dtype) == "float64" for name in result.filter(like="_si").columns)
