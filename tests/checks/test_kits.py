"""Drop kits: the worked examples of the trade's arithmetic, and the slips that give a typed number."""

from __future__ import annotations

import json
from collections.abc import Callable

import pandas as pd
import pytest

from pipeline.checks.kits import drop_counts
from pipeline.normalise.sample_table import SampleTable

Table = Callable[[str], SampleTable]
Findings = Callable[..., pd.DataFrame]


KIT = "sample_id,line,analyte,form,method,value,drops,degree_per_drop,nominal_ml,used_ml\n"
DEGREE = 17.848  # mg/L as CaCO3 in 1 German degree: 10 mg/L CaO · 100.0869 / 56.0774


@pytest.mark.source("DIN19640")
@pytest.mark.parametrize(
    ("drops", "used_ml", "value"),
    [(12, 10, 214.2), (8, 10, 142.8), (6, 5, 214.2), (7, 5, 249.9), (5, 40, 22.3), (14, 10, 249.9)],
)
def test_a_count_gives_the_value_of_its_volume(table: Table, drops: int, used_ml: int, value: float) -> None:
    """12 · 17.848 = 214.2; 6 · 17.848 · 10/5 = 214.2; 5 · 17.848 · 10/40 = 22.3."""
    counted = drop_counts(table(f"{KIT}1,2,alkalinity,drops,drops,1,{drops},{DEGREE},10,{used_ml}"))

    assert counted.counted.item() == pytest.approx(value, abs=0.05)


@pytest.mark.common_practice
def test_a_forgotten_volume_is_named_with_the_value_it_gives(table: Table, findings: Findings) -> None:
    """6 drops in 5 mL are 214.2 mg/L; 107 typed is 6 · 17.848 = 107.1, the volume forgotten."""
    found = findings(
        "count-vs-value",
        table(f"{KIT}1,2,total_hardness,drops,drops,214.2,6,{DEGREE},10,5\n1,2,total_hardness,typed,typed,107,,,,"),
    )

    assert found["severity"].tolist() == ["hold"]
    assert "214.2" in found["message"].item()
    assert json.loads(found["evidence"].item())["alternative"] == "107.1 would fit if the sample volume was forgotten"


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (90, "1 French degree"),  # 9 · 10
        (154.1, "US grain per gallon"),  # 9 · 17.118
        (162, None),  # 9 · 18: the worth of a drop, rounded
        (160, None),  # rounded to tens
        (128.3, "1 English degree"),  # 9 · 14.254
        (180, "20 mg/L"),  # 9 · 20
        (9, "the count was typed"),
    ],
)
def test_another_kit_is_named_where_its_factor_fits(
    table: Table, findings: Findings, typed: float, words: str | None
) -> None:
    """9 drops of 1 German degree are 160.6 mg/L: arithmetic, that only rounding changes."""
    found = findings(
        "count-vs-value",
        table(
            f"{KIT}1,2,total_hardness,drops,drops,160.6,9,{DEGREE},10,10\n1,2,total_hardness,typed,typed,{typed},,,,"
        ),
    )

    assert len(found) == (words is not None)
    assert words is None or words in found["message"].item()


@pytest.mark.common_practice
def test_a_count_of_zero_means_less_than_one_drop(table: Table, findings: Findings) -> None:
    """Indicator blue at once in a softened home: below 17.8 mg/L, not zero."""
    found = findings(
        "drop-resolution",
        table(
            f"{KIT}1,2,total_hardness,drops,drops,,0,{DEGREE},10,10\n1,2,alkalinity,drops,drops,267.7,15,{DEGREE},10,10"
        ),
    )

    assert found["analyte"].tolist() == ["total_hardness"]
    assert "between 0.0 and 17.8" in found["message"].item()


@pytest.mark.common_practice
def test_a_missed_first_drop_in_soft_water_explains_the_finer_repeat(table: Table, findings: Findings) -> None:
    """1 drop from the second on is 17.8-35.7 mg/L, which holds the 22.3 of five drops in 40 mL."""
    head = KIT.replace("used_ml\n", "used_ml,drop_convention\n")
    found = findings(
        "first-drop", table(f"{head}1,2,alkalinity,drops,drops,17.8,1,{DEGREE},10,10,first drop not counted")
    )
    evidence = json.loads(found["evidence"].item())

    assert evidence["interval_low"] == pytest.approx(17.8, abs=0.05)
    assert evidence["interval_high"] == pytest.approx(35.7, abs=0.05)
    assert evidence["interval_low"] < 5 * DEGREE / 4 < evidence["interval_high"]


@pytest.mark.common_practice
@pytest.mark.parametrize(("missed", "named"), [(1, 1), (0, 0)])
def test_a_habit_of_missing_the_first_drop_is_named_once_for_the_operator(
    table: Table, findings: Findings, missed: int, named: int
) -> None:
    """Five pairs whose counts lie one drop below the laboratory: mean(kit - lab) = -1 drop."""
    lines = ["sample_id,analyte,form,method,value,uncertainty,drops,degree_per_drop,nominal_ml,used_ml,operator"]
    for sample, drops in enumerate((9, 11, 12, 14, 15)):
        lines.append(f"{sample},alkalinity,drops,drops,{drops * DEGREE},20,{drops},{DEGREE},10,10,A")
        lines.append(f"{sample},alkalinity,,laboratory,{(drops + missed) * DEGREE},5,,,,,A")
    found = findings("first-drop", table("\n".join(lines)))

    assert len(found) == named
    assert found["sample_id"].isna().all()
    assert found["observed"].tolist() == pytest.approx([1.0] * named)


@pytest.mark.common_practice
def test_five_millilitres_recorded_and_applied_agree_with_the_laboratory(table: Table, findings: Findings) -> None:
    """7 drops in 5 mL are 249.9, the laboratory has 260.2: -0.58 drop; without the volume 124.9."""
    head = "sample_id,analyte,form,method,value,uncertainty,drops,degree_per_drop,nominal_ml,used_ml\n"
    samples = table(
        f"{head}1,alkalinity,,laboratory,260.2,7.8,,,,\n1,alkalinity,drops,drops,249.9,35.7,7,{DEGREE},10,5"
    )

    assert findings("readings-disagree", samples).empty
    assert findings("sample-volume", samples)["severity"].tolist() == ["note"]
    assert findings("several-readings", samples)["observed"].item() == pytest.approx(10.3, abs=0.01)


def test_kit_checks_leave_a_table_without_kits_alone(table: Table, findings: Findings) -> None:
    samples = table("alkalinity_mg_l_caco3,ph\n120,7.4")

    for check_id in ("count-vs-value", "drop-resolution", "sample-volume", "first-drop", "repeat-spread"):
        assert findings(check_id, samples).empty
