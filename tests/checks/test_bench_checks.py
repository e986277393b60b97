"""Meters, units, identity, dates and treatment: scenarios of the trade and findings about whole sources."""

from __future__ import annotations

import json
from collections.abc import Callable

import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.record_dates import DateLimits
from pipeline.normalise.sample_table import SampleTable

Table = Callable[[str], SampleTable]
Findings = Callable[..., pd.DataFrame]


WIDE = "conductivity_us_cm_25c,total_hardness_mg_l_caco3,alkalinity_mg_l_caco3"
PAIR = f"client,site,stage,treatment,collected_at,{WIDE},ph"


@pytest.mark.source("APHA2510")
@pytest.mark.parametrize(("typed", "hardness", "meant", "ratio"), [(0.68, 320, 680, 2.125), (67.7, 314.7, 677, 2.151)])
def test_conductivity_in_another_unit_is_held_with_the_value_that_fits(
    table: Table, findings: Findings, typed: float, hardness: float, meant: float, ratio: float
) -> None:
    """1 mS/cm = 1000 µS/cm and 1 mS/m = 10 µS/cm: 0.68 and 67.7 are 680 and 677 µS/cm."""
    found = findings("conductivity-unit", table(f"{WIDE}\n{typed},{hardness},260"))
    evidence = json.loads(found["evidence"].item())

    assert evidence["alternative_value"] == pytest.approx(meant)
    assert evidence["alternative_ratio"] == pytest.approx(ratio, abs=0.001)


@pytest.mark.common_practice
def test_swapped_labels_are_held_on_both_samples_and_never_swapped(table: Table, findings: Findings) -> None:
    """Before: 12 and 6 French degrees, pH 6.3; after: 32 and 26, pH 7.6: the wrong way round."""
    samples = table(
        f"{PAIR}\nbar,1,raw,decarboniser,2025-03-12,370,120,60,6.3"
        "\nbar,1,treated,decarboniser,2025-03-12,0.68,320,260,7.6"
    )
    before = samples.measured.copy()
    found = findings("treatment-pattern", samples)
    evidence = json.loads(found["evidence"].iloc[0])

    assert sorted(found["sample_id"]) == ["1", "2"]
    assert set(found["severity"]) == {"hold"}
    assert (evidence["raw_hardness"], evidence["treated_hardness"]) == (120, 320)
    pd.testing.assert_frame_equal(samples.measured, before)


@pytest.mark.common_practice
def test_a_decarboniser_that_takes_both_alike_is_right(table: Table, findings: Findings) -> None:
    """14 and 11 drops before, 7 and 4 after: both fall by 7 · 17.848 = 124.9 mg/L."""
    lines = f"{PAIR}\ncafe,1,raw,,2025-03-12,533,249.9,196.3,7.4"
    lines += "\ncafe,1,treated,Entkarbonisierer,2025-03-12,335,124.9,71.4,6.6"

    assert findings("treatment-pattern", table(lines)).empty


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("treatment", "after", "severity", "pattern"),
    [
        ("decarboniser", "533,249.9,196.3,7.4", "note", "exactly equal"),
        ("decarboniser", "530,247,194,7.4", "note", "takes no hardness out"),
        ("decarboniser", "500,249.9,71.4,6.6", "hold", "do not fall together"),
        ("softener", "530,20,71.4,7.4", "hold", "alkalinity changed"),
        ("softener", "300,20,196.3,7.4", "hold", "conductivity changed"),
        ("reverse osmosis", "533,10,9,6.4", "hold", "conductivity did not fall"),
        ("reverse osmosis", "40,10,9,4.8", "note", "pH is very low"),
        ("carbon", "533,107,196.3,7.4", "hold", "hardness changed"),
        ("decarboniser", "335,124.9,71.4,7.9", "note", "pH rose"),
        ("calcite remineraliser", "300,100,60,7.4", "hold", "hardness fell"),
        ("magnesium exchanger", "533,330,196.3,7.4", "hold", "hardness rose"),
    ],
)
def test_each_treatment_has_a_fingerprint(
    table: Table, findings: Findings, treatment: str, after: str, severity: str, pattern: str
) -> None:
    """What a treatment cannot do is held; what only shows its state is a note."""
    lines = f"{PAIR}\ncafe,1,raw,,2025-03-12,533,249.9,196.3,7.4\ncafe,1,treated,{treatment},2025-03-12,{after}"
    found = findings("treatment-pattern", table(lines))

    assert set(found["severity"]) == {severity}
    assert found["message"].str.contains(pattern).all()


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(("sodium", "held"), [(151, 0), (20, 1)])
def test_a_softener_gives_sodium_for_hardness(table: Table, findings: Findings, sodium: int, held: int) -> None:
    """392.5 to 89.2 mg/L: Na = 12 + 303.3 · 22.98977 / 50.04345 = 151 mg/L."""
    lines = (
        f"{PAIR},sodium_mg_l\nw,6,raw,,2025-03-12,782,392.5,267.4,7.3,12"
        f"\nw,6,treated,softener,2025-03-12,760,89.2,267.4,7.3,{sodium}"
    )

    assert len(findings("treatment-pattern", table(lines))) == held


@pytest.mark.common_practice
def test_chlorine_behind_carbon_is_a_note_on_the_treatment(table: Table, findings: Findings) -> None:
    lines = (
        f"{PAIR},free_chlorine_mg_l\nc,1,raw,,2025-03-12,412,154,110,7.9,0.8"
        "\nc,1,treated,carbon,2025-03-12,412,154,110,7.9,0.3"
    )
    found = findings("treatment-pattern", table(lines))

    assert found["severity"].tolist() == ["note"]
    assert found["observed"].tolist() == [0.3]


@pytest.mark.common_practice
def test_samples_more_than_a_day_apart_are_no_pair(table: Table, findings: Findings) -> None:
    lines = f"{PAIR}\nbar,1,raw,,2025-03-12,370,120,60,6.3\nbar,1,treated,,2025-03-14,680,320,260,7.6"

    assert findings("treatment-pattern", table(lines)).empty


@pytest.mark.common_practice
def test_one_analysis_printed_for_three_sites_is_one_note(table: Table, findings: Findings) -> None:
    rows = "\n".join(f"town,street {number},2025-03-12,677,314.7,260.2,38" for number in range(3))
    found = findings("copied-reading", table(f"client,site,collected_at,{WIDE},chloride_mg_l\n{rows}"))

    assert found["sample_id"].isna().tolist() == [True]
    assert found["severity"].tolist() == ["note"]
    assert found["observed"].tolist() == [3]


@pytest.mark.common_practice
def test_a_repeated_highest_pad_is_one_note_for_the_source(table: Table, findings: Findings) -> None:
    """A strip that ends at 25 mg/L reads 25 for every stronger water."""
    rows = "\n".join(f"{sample},nitrate,strip,{value}" for sample, value in enumerate((25, 10, 25, 25, 5)))
    found = findings("instrument-range", table(f"sample_id,analyte,method,value\n{rows}"))

    assert found["severity"].tolist() == ["note"]
    assert found["observed"].tolist() == [3]


@pytest.mark.common_practice
def test_ten_times_the_history_of_its_point_is_held(table: Table, findings: Findings) -> None:
    """Chloride 380 between 38s while hardness and conductivity stay: a digit too many."""
    rows = [f"K,A,raw,{677 + step},{314 + step},260,{38 + step}" for step in range(4)]
    found = findings(
        "factor-ten",
        table("\n".join([f"client,site,stage,{WIDE},chloride_mg_l", *rows, "K,A,raw,677,315,260,385"])),
    )

    assert found["sample_id"].tolist() == ["5"]
    assert json.loads(found["evidence"].item())["alternative_value"] == pytest.approx(38.5)


@pytest.mark.common_practice
def test_a_row_in_degrees_among_rows_in_mg_is_held(table: Table, findings: Findings) -> None:
    rows = "\n".join(f"{677 + step},{314 + step},260" for step in range(4))
    found = findings("unit-copied-down", table(f"{WIDE}\n{rows}\n677,17.63,14.57"))

    assert found[["sample_id", "severity"]].to_numpy().tolist() == [["5", "hold"]]


@pytest.mark.common_practice
def test_kit_values_between_two_drops_are_one_note(table: Table, findings: Findings) -> None:
    """Multiples of 17.118 are no multiples of 17.848: the values came from another factor."""
    rows = "\n".join(f"{n},alkalinity,drops,{n * 17.118:.1f},17.848,10,10" for n in range(8, 14))
    found = findings(
        "rounding-habit", table(f"sample_id,analyte,method,value,degree_per_drop,nominal_ml,used_ml\n{rows}")
    )

    assert found["observed"].tolist() == [1.0]


@pytest.mark.common_practice
def test_a_date_after_today_is_held_only_when_today_is_known(table: Table, findings: Findings) -> None:
    samples = table("collected_at,ph\n2025-07-08,7.4")
    today = Limits((DateLimits(now=pd.Timestamp("2025-03-12", tz="UTC")),))

    assert findings("date-order", samples).empty
    assert findings("date-order", samples, today)["observed"].tolist() == [118]  # 12 March to 8 July


def test_a_local_evening_is_not_before_its_own_analysis(table: Table, findings: Findings) -> None:
    """23:00 on 4 March eight hours west of Greenwich is 07:00 UTC on 5 March; analysed on 4 March."""
    assert findings("date-order", table("collected_at,analysed_on,ph\n2025-03-05T07:00,2025-03-04,7.4")).empty


@pytest.mark.common_practice
def test_samples_without_a_day_of_calibration_are_counted_once(table: Table, findings: Findings) -> None:
    samples = table("collected_at,calibrated_on,instrument,ph\n2025-03-12,2025-03-01,M7,7.4\n2025-03-12,,M8,7.4")
    found = findings("uncalibrated-instrument", samples)

    assert found["sample_id"].isna().tolist() == [True]
    assert found["observed"].tolist() == [1]
