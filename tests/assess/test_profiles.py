"""Named waters and the zone words."""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.assess.profiles import Band, boxes, load_profiles, published
from pipeline.assess.zones import ZONES, disagreement, inside, judge_zone, zone_of
from pipeline.errors import KettlestoneError
from pipeline.reference import table

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.normalise.sample_table import SampleTable

    Build = Callable[..., SampleTable]


def band(profile: str, quantity: str) -> tuple[float, float, float]:
    found = published()[profile].band(quantity)
    assert found is not None
    return found.low, found.ideal, found.high


@pytest.mark.source("SW2009")
def test_the_2009_standard() -> None:
    """Calcium hardness 68 (17–85), TDS 150 (75–250), pH 7.0 (6.5–7.5), alkalinity at or near 40."""
    assert band("2009 standard", "calcium_hardness") == (17, 68, 85)
    assert band("2009 standard", "tds") == (75, 150, 250)
    assert band("2009 standard", "ph") == (6.5, 7.0, 7.5)
    assert band("2009 standard", "alkalinity")[1] == 40


@pytest.mark.source("WH2018")
def test_the_2018_handbook() -> None:
    """Calcium hardness 50–175, alkalinity 40–70, pH 6–8; TDS is no criterion any more."""
    assert band("2018 handbook", "calcium_hardness")[::2] == (50, 175)
    assert band("2018 handbook", "alkalinity") == (40, 40, 70)
    assert band("2018 handbook", "ph") == (6, 7, 8)
    assert published()["2018 handbook"].band("tds") is None


@pytest.mark.source("EWC2016")
def test_the_european_chart_and_its_box() -> None:
    assert band("European water chart 2016", "total_hardness")[::2] == (50, 175)
    assert band("European water chart 2016", "alkalinity")[::2] == (40, 75)
    assert ("European water chart 2016", 50.0, 175.0, 40.0, 75.0) in boxes()
    assert [box[0] for box in boxes()] == list(published())


def test_every_number_of_the_tables_has_a_known_source() -> None:
    folder = resources.files("pipeline.reference")
    files = [file.name.removesuffix(".csv") for file in folder.iterdir() if file.name.startswith("sources")]
    known = {key for name in files for key in table(name)["key"]}
    names = ("water_profiles", "machines", "machine_parts", "hardness_classes")

    assert {key for name in names for key in table(name)["source"]} <= known


@pytest.mark.source("GUM2008")
def test_four_drops_cannot_prove_the_narrow_band(waters: Build) -> None:
    """71.4 ± 13: within 40–75 with probability Φ(0.55) − Φ(−4.8) = 0.71, within 40–70 with 0.41."""
    water = waters(th=124.9, th__u=20.0, alk=71.4, alk__u=13.0, ph=6.6, ph__u=0.2)

    assert judge_zone(water, published()["European water chart 2016"])["zone"].item() == "probably in zone"
    assert judge_zone(water, published()["2018 handbook"])["zone"].item() == "cannot tell"
    assert judge_zone(water, published()["2009 standard"])["zone"].item() == "out of zone"


@pytest.mark.source("WH2018")
def test_calcium_120_alkalinity_60_passes_2018_and_fails_2009(waters: Build) -> None:
    water = waters(cah=120.0, alk=60.0, alk__u=3.0, ph=7.0)
    zones = pd.DataFrame({name: judge_zone(water, profile)["zone"] for name, profile in published().items()})

    assert zones["2018 handbook"].item() == "in zone"
    assert zones["2009 standard"].item() == "out of zone"
    assert "not by 2009 standard" in disagreement(zones).item()


@pytest.mark.common_practice
def test_w1_is_out_on_hardness_and_alkalinity(waters: Build) -> None:
    """Hardness 214 above 175 and alkalinity 143 above 75."""
    found = judge_zone(waters(th=214.2, th__u=27.0, alk=142.8, alk__u=20.0), published()["European water chart 2016"])

    assert found["zone"].item() == "out of zone"
    assert "total hardness 214" in found["sentence"].item()
    assert "total alkalinity 143" in found["sentence"].item()


@pytest.mark.source("METERTABLE")
def test_w4_a_pen_reading_inside_250_is_outside_on_the_scale_of_the_standard(waters: Build) -> None:
    """677 µS/cm is 338 on an NaCl pen of 0.5 and more than 430 on the 4-4-2 scale: not within 75–250."""
    found = judge_zone(waters(cah=68.0, alk=40.0, ec=677.0, ph=7.0), published()["2009 standard"])

    assert found["zone"].item() == "out of zone"
    assert "TDS (4-4-2 scale)" in found["sentence"].item()


def test_a_missing_essential_reading_is_no_pass_and_no_failure(waters: Build) -> None:
    found = judge_zone(waters(th=100.0), published()["European water chart 2016"])

    assert found["zone"].item() == "cannot tell"
    assert found["unknowns"].item() == "total alkalinity not measured"
    assert np.isnan(found["probability"].item())


def test_a_missing_reading_does_not_save_a_water_that_is_out(waters: Build) -> None:
    assert judge_zone(waters(th=400.0), published()["European water chart 2016"])["zone"].item() == "out of zone"


def test_a_limit_below_the_band_is_out_and_one_across_it_open(waters: Build) -> None:
    """Hardness "<17.8" is below 50; alkalinity "<60" leaves 40–60 open: 20 of 60 inside."""
    profile = published()["European water chart 2016"]
    low = judge_zone(waters(th=[np.nan], th__low=[0.0], th__high=[17.8], alk=[60.0]), profile)
    wide = judge_zone(waters(th=[100.0], alk=[np.nan], alk__low=[0.0], alk__high=[60.0]), profile)

    assert low["zone"].item() == "out of zone"
    assert wide["probability"].item() == pytest.approx(20 / 60)


@pytest.mark.source("GUM2008")
@pytest.mark.parametrize(
    ("probability", "word"),
    [(0.99, 0), (0.95, 0), (0.8, 1), (0.5, 2), (0.2, 3), (0.01, 4), (float("nan"), 2)],
)
def test_zone_words(probability: float, word: int) -> None:
    assert zone_of(np.array([probability])).item() == ZONES[word]


@pytest.mark.source("AS1964")
@pytest.mark.parametrize(("z", "share"), [(1.0, 0.682689), (2.0, 0.954500), (3.0, 0.997300)])
def test_the_normal_distribution(z: float, share: float) -> None:
    """Tabulated shares within ± 1, 2, 3 standard deviations."""
    around = Band("alkalinity", 50 - z * 5, 50.0, 50 + z * 5, essential=True, source="")
    one = np.ones(1)

    assert inside(50 * one, 10 * one, one, one, around)[0] == pytest.approx(share, abs=1e-6)


@given(st.floats(0, 300), st.floats(0, 60), st.floats(0, 150), st.floats(0, 150))
def test_probability_is_a_probability_and_grows_with_the_band(
    value: float, spread: float, low: float, width: float
) -> None:
    one = np.ones(1)
    narrow = Band("alkalinity", low, low, low + width, essential=True, source="")
    wide = Band("alkalinity", low - 1, low, low + width + 1, essential=True, source="")
    small, large = (inside(value * one, spread * one, one, one, asked)[0] for asked in (narrow, wide))

    assert 0.0 <= small <= large + 1e-12 <= 1.0 + 2e-12


def test_own_profiles(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(
        '[profiles.house]\nsource = "own tasting"\nalkalinity = {low = 40, ideal = 50, high = 60}\n'
        "total_hardness = {high = 120}\n",
        encoding="utf-8",
    )

    house = load_profiles(path)["house"]

    assert house.bands[0] == Band("alkalinity", 40.0, 50.0, 60.0, essential=True, source="own tasting")
    assert house.bands[1].text == "at most 120"
    assert boxes([house]) == [("house", 0.0, 120.0, 40.0, 60.0)]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[profiles.a]\nalkalinity = {low = 75, high = 40}", "not in order"),
        ("[profiles.a]\nalkalinty = {low = 40}", "alkalinty"),
        ("[profiles.a]\nalkalinity = {lowest = 40}", "lowest"),
        ("[profiles.a]\nalkalinity = 40", "write a range"),
        ("[profiles.a]\nalkalinity = {ideal = 40}", "neither low nor high"),
        ('[profiles.a]\nalkalinity = {low = "x"}', "not a number"),
        ("[profiles.a]\nalkalinity = {low = nan}", "not a number"),
        ("[profiles.a]\nalkalinity = {low = 40, essential = 1}", "true or false"),
        ("[profiles.a]\ntitle = 'x'", "no quantity"),
        ("[profile.a]\nalkalinity = {low = 40}", 'no "profile"'),
        ("profiles = 3", "there is no table"),
        ("[profiles]\na = 3", "must be a table"),
        ("[profiles", "cannot be read"),
    ],
)
def test_a_faulty_profile_is_refused_by_name(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "p.toml"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(KettlestoneError, match=words):
        load_profiles(path)


def test_a_missing_or_huge_file_is_refused(tmp_path: Path) -> None:
    huge = tmp_path / "huge.toml"
    huge.write_text("#" * 1_000_001, encoding="utf-8")

    for path in (tmp_path / "none.toml", huge):
        with pytest.raises(KettlestoneError, match="Nothing was changed"):
            load_profiles(path)
