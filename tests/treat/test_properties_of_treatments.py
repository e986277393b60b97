"""What every treatment keeps, whatever the water: charge, mass, and the raw water at either end."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.chemistry.carbonate import speciate
from pipeline.chemistry.equivalents import anion_sum, cation_sum, hardness_from_ions
from pipeline.treat.processes.treatments import TREATMENTS, blend_waters, treat

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

PER_MEQ = {"calcium": 20.039, "magnesium": 12.1525, "sodium": 22.98977, "potassium": 39.0983,
           "chloride": 35.453, "sulfate": 48.0313, "nitrate": 62.0049}  # fmt: skip
SALTS = {"calcium_chloride_dihydrate_mg_l": 30.0, "magnesium_sulfate_heptahydrate_mg_l": 40.0,
         "potassium_bicarbonate_mg_l": 50.0}  # fmt: skip
SUPPLY = {"hardness_mg_l_caco3": 20.0}
SECOND = pd.DataFrame([{"calcium_mg_l": 20.0, "magnesium_mg_l": 2.0, "sodium_mg_l": 5.0, "potassium_mg_l": 1.0,
                        "alkalinity_mg_l_caco3": 50.0, "chloride_mg_l": 8.0, "sulfate_mg_l": 10.0,
                        "nitrate_mg_l": 1.0, "silica_mg_l": 5.0, "ph": 7.0}])  # fmt: skip
GIVEN: dict[str, Mapping[str, float]] = {"salt dosing": SALTS, "unsoftened tap": SUPPLY, "softener bypass": SUPPLY}
SEEDS = st.integers(0, 2**32 - 1)
INLINE = [
    name
    for name, entry in TREATMENTS.items()
    if len(entry.stages) == 1 and {"bypass", "exhausted"} <= {one.name for one in entry.settings}
]


def waters(seed: int, count: int = 12) -> pd.DataFrame:
    """Draw waters of 5–30 °C with up to 5 % of charge left open, much wider than tap water."""
    random = np.random.default_rng(seed)
    meq = {ion: np.exp(random.uniform(np.log(0.02), np.log(5.0), count)) for ion in PER_MEQ}
    meq["sodium"] += 6.0  # enough for every hardness given back
    cations = meq["calcium"] + meq["magnesium"] + meq["sodium"] + meq["potassium"]
    anions = meq["chloride"] + meq["sulfate"] + meq["nitrate"]
    alkalinity = np.maximum(cations * random.uniform(0.95, 1.05, count) - anions, 0.3)
    columns = {f"{ion}_mg_l": PER_MEQ[ion] * amount for ion, amount in meq.items()}
    columns |= {"alkalinity_mg_l_caco3": 50.04345 * alkalinity, "ph": random.uniform(6.5, 8.5, count)}
    columns |= {"silica_mg_l": random.uniform(0.0, 40.0, count), "temperature_c": random.uniform(5.0, 30.0, count)}
    return pd.DataFrame(columns, index=[f"water {row}" for row in range(count)])


def applied(raw: pd.DataFrame, name: str, **values: npt.ArrayLike) -> pd.DataFrame:
    other = SECOND if TREATMENTS[name].second_water == "must" else None
    return treat(raw, name, {**GIVEN.get(name, {}), **values}, other=other)


def charge(table: pd.DataFrame) -> pd.Series[float]:
    return cation_sum(table) - anion_sum(table)


@pytest.mark.parametrize("name", TREATMENTS)
@settings(max_examples=2)
@given(seed=SEEDS)
def test_charge_and_mass_are_kept(name: str, seed: int) -> None:
    """The open charge never grows, the account is the difference of the tables, and nothing is negative."""
    raw = waters(seed)
    treated = applied(raw, name)

    allowed = np.maximum(charge(raw).abs(), charge(SECOND).abs().item() if name == "blend" else 0.0)
    assert (charge(treated).abs() <= allowed + 1e-9).all()
    moved = {
        "hardness_removed_mg_l_caco3": hardness_from_ions(raw) - treated["total_hardness_mg_l_caco3"],
        "alkalinity_removed_mg_l_caco3": raw["alkalinity_mg_l_caco3"] - treated["alkalinity_mg_l_caco3"],
        "sodium_added_mg_l": treated["sodium_mg_l"] - raw["sodium_mg_l"],
    }
    for figure, difference in moved.items():
        assert np.allclose(treated[figure], difference, atol=1e-6), figure
    measured = [column for column in raw if str(column).endswith(("_mg_l", "_caco3"))]
    assert (treated[measured] >= -1e-9).all(axis=None)
    assert treated["ph"].between(3.0, 11.0).all()
    assert treated.index.equals(raw.index)


@pytest.mark.parametrize("name", INLINE)
@settings(max_examples=1)
@given(seed=SEEDS)
def test_all_round_the_medium_or_a_dead_medium_is_the_raw_water(name: str, seed: int) -> None:
    raw = waters(seed)
    around = np.arange(len(raw)) % 2 == 0

    treated = applied(raw, name, bypass=1.0 * around, exhausted=1.0 * ~around)

    for column in ("calcium_mg_l", "magnesium_mg_l", "sodium_mg_l", "alkalinity_mg_l_caco3", "sulfate_mg_l"):
        assert np.allclose(treated[column], raw[column], rtol=1e-9), column
    assert np.allclose(treated["ph"], raw["ph"], atol=1e-6)


@pytest.mark.parametrize("name", ["softener", "reverse osmosis", "decarboniser"])
@settings(max_examples=2)
@given(seed=SEEDS, share=st.floats(0.0, 1.0))
def test_a_bypass_is_a_blend_of_raw_and_treated(name: str, seed: int, share: float) -> None:
    """The same as mixing the two waters by the rules of chemistry, pH included."""
    raw = waters(seed, 1)
    through = treat(raw, name)
    pair = pd.concat([raw, through[[*raw.columns]]]).set_axis(["raw", "treated"])

    inline = treat(raw, name, {"bypass": share}).iloc[0]
    mixed = blend_waters(pair, pd.Series({"raw": share, "treated": 1.0 - share})).iloc[0]

    for column in ("total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3", "sodium_mg_l", "chloride_mg_l"):
        assert inline[column] == pytest.approx(mixed[column], rel=1e-7, abs=1e-7), column
    assert inline["ph"] == pytest.approx(mixed["ph"], abs=1e-5)


@settings(max_examples=1)
@given(seed=SEEDS)
def test_many_settings_in_one_call_are_the_same_as_one_by_one(seed: int) -> None:
    raw = waters(seed, 1)
    shares = np.linspace(0.0, 1.0, 4)

    together = treat(pd.concat([raw] * 4, ignore_index=True), "decarboniser", {"bypass": shares})
    single = pd.concat([treat(raw, "decarboniser", {"bypass": share}) for share in shares], ignore_index=True)

    pd.testing.assert_frame_equal(together, single, check_exact=False, rtol=1e-9)


@settings(max_examples=2)
@given(seed=SEEDS)
def test_a_weak_acid_resin_takes_one_for_one_and_keeps_the_carbonate(seed: int) -> None:
    raw = waters(seed)

    treated = treat(raw, "decarboniser", {"removal": 0.8})

    assert np.allclose(treated["hardness_removed_mg_l_caco3"], treated["alkalinity_removed_mg_l_caco3"])
    before, after = (speciate(table)["total_carbonate_mmol_kg"] for table in (raw, treated))
    assert np.allclose(before, after, rtol=1e-5)
