"""The chemistry checks against worked figures: each number stands with its arithmetic or its source."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.checks.evidence import Quantity, tolerance
from pipeline.checks.ion_balance import IonBalanceLimits, balance, measured_balance
from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check
from pipeline.checks.source import explained_by_source
from pipeline.chemistry.equivalents import anion_sum, cation_sum
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import samples_from_wide

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.sample_table import SampleTable

    Table = Callable[..., SampleTable]

LIMITS = Limits()
# Laboratory report: Ca 98, Mg 17, Na 21, K 3, HCO3 317, Cl 38, SO4 55, NO3 14 mg/L.
REPORT = {
    "calcium_mg_l": [98.0],
    "magnesium_mg_l": [17.0],
    "sodium_mg_l": [21.0],
    "potassium_mg_l": [3.0],
    "bicarbonate_mg_l": [317.0],
    "chloride_mg_l": [38.0],
    "sulfate_mg_l": [55.0],
    "nitrate_mg_l": [14.0],
}


def found(check_id: str, samples: SampleTable) -> dict[str, Any]:
    """Give the one finding of a check with its evidence, or an empty dict."""
    findings, _ = run_check(CHECKS[check_id], samples, LIMITS)
    if findings.empty:
        return {}
    finding = findings.iloc[0].to_dict()
    return {**finding, **json.loads(finding["evidence"])}


def first_row(check_id: str, samples: SampleTable) -> dict[str, float]:
    """Give the numbers of a check's first row, whether it is a finding or not."""
    columns = CHECKS[check_id].function(samples, LIMITS)
    numbers = {name: column for name, column in columns.items() if isinstance(column, np.ndarray)}
    return {name: float(column[0]) for name, column in numbers.items() if column.dtype.kind == "f"}


def evaluated(check_id: str, samples: SampleTable) -> int:
    """Count the samples a check could evaluate."""
    return int(run_check(CHECKS[check_id], samples, LIMITS)[1].sum())


@pytest.mark.source("APHA1030")
def test_balance_and_its_two_alternatives_are_those_worked_by_hand(table_of: Table) -> None:
    """Cations 4.890 + 1.399 + 0.913 + 0.077 = 7.280; anions 5.195 + 1.072 + 1.145 + 0.226 = 7.638 meq/L.

    (7.280 − 7.638)/14.918 = −2.40 %; with 317 as CaCO3 (386.5 as HCO3) −9.33 %; with 260 as HCO3 +4.12 %.
    """
    result = first_row("ion-balance", table_of(**REPORT))

    assert result["cations"] == pytest.approx(7.280, abs=5e-4)
    assert result["anions"] == pytest.approx(7.638, abs=1e-3)
    assert result["observed"] == pytest.approx(-2.40, abs=5e-3)
    assert result["balance_of_half_sum_percent"] == pytest.approx(-4.81, abs=1e-2)
    assert result["balance_if_bicarbonate_is_as_caco3_percent"] == pytest.approx(-9.33, abs=1e-2)
    assert result["balance_if_alkalinity_is_as_hco3_percent"] == pytest.approx(4.12, abs=1e-2)


@pytest.mark.source("APHA1030")
@pytest.mark.parametrize(
    ("ions", "expected"),
    [
        # 5.9008 and 6.1067 meq/L
        ((80, 12, 20, 2, 250, 36, 40, 10), -1.715),
        # 2.2517 and 2.2272 meq/L
        ((24, 6, 12, 1.5, 85, 14, 18, 4), 0.547),
    ],
)
def test_balance_of_two_waters_from_their_equivalents(
    ions: tuple[float, ...], expected: float, table_of: Table
) -> None:
    samples = table_of(**dict(zip(REPORT, ([value] for value in ions), strict=True)))

    assert balance(samples, IonBalanceLimits()).percent()[0] == pytest.approx(expected, abs=0.01)


def test_sums_are_those_of_the_equivalents(table_of: Table) -> None:
    """The check's sums, which carry uncertainties, equal the plain sums of the chemistry."""
    samples = table_of(**REPORT)

    charges = balance(samples, IonBalanceLimits())

    assert charges.cations[0] == pytest.approx(cation_sum(samples.filled).iloc[0], rel=1e-12)
    assert charges.anions[0] == pytest.approx(anion_sum(samples.filled).iloc[0], rel=1e-12)


@pytest.mark.common_practice
@pytest.mark.parametrize("missing", ["sodium_mg_l", "chloride_mg_l", "sulfate_mg_l", "bicarbonate_mg_l"])
def test_missing_major_ion_is_not_evaluated(missing: str, table_of: Table) -> None:
    """Half an analysis has no balance; 87 % would only say what is not there."""
    samples = table_of(**{name: value for name, value in REPORT.items() if name != missing})

    assert evaluated("ion-balance", samples) == 0


@pytest.mark.common_practice
def test_balance_with_a_calculated_ion_is_no_evidence(table_of: Table) -> None:
    assert evaluated("ion-balance", table_of(**REPORT, sodium_mg_l__method=["calculated"])) == 0


@pytest.mark.common_practice
def test_balance_always_zero_is_no_evidence(table_of: Table) -> None:
    """Twelve samples whose sodium closes the balance exactly prove nothing; eleven real ones do."""
    closing = 21.0 + (7.63803 - 7.28029) * 22.98977
    same = {name: value * 12 for name, value in REPORT.items()}

    assert evaluated("ion-balance", table_of(**{**same, "sodium_mg_l": [closing] * 12})) == 0
    assert evaluated("ion-balance", table_of(**same)) == 12


def test_less_than_counts_as_a_range_never_as_zero(table_of: Table) -> None:
    """Sodium "<50" leaves 0 to 2.2 meq/L open, so the balance cannot be held against the sample."""
    less = {**REPORT, "sodium_mg_l": [""], "sodium_mg_l__low": [0], "sodium_mg_l__high": [50]}

    result = first_row("ion-balance", table_of(**less))

    assert result["allowed_percent"] > 100 * (25 / 22.98977) / (result["cations"] + result["anions"])
    assert result["cations"] == pytest.approx(7.280 + (25 - 21) / 22.98977, abs=1e-3)


@pytest.mark.common_practice
def test_swapped_conductivity_and_tds_of_an_office_brewer(table_of: Table) -> None:
    """9 gpg is 154.1; 206/154.1 = 1.34 is impossible, 412/154.1 = 2.67 is not; TDS/EC 2.00 becomes 0.50."""
    samples = table_of(
        total_hardness_mg_l_caco3=[154.06],
        alkalinity_mg_l_caco3=[110],
        tds_mg_l=[412],
        tds_mg_l__method=["meter"],
        conductivity_us_cm_25c=[206],
        conductivity_us_cm_25c__method=["meter"],
    )

    hardness = found("conductivity-vs-hardness", samples)
    solids = found("tds-vs-conductivity", samples)

    assert hardness["severity"] == "hold"
    assert hardness["ratio"] == pytest.approx(1.34, abs=5e-3)
    assert "conductivity and TDS swapped" in hardness["alternative"]
    assert solids["severity"] == "hold"
    assert solids["observed"] == pytest.approx(2.00, abs=5e-3)
    assert solids["ratio_if_swapped"] == pytest.approx(0.50, abs=5e-3)
    assert "swapped" in solids["alternative"]


@pytest.mark.common_practice
def test_millisiemens_of_an_espresso_bar(table_of: Table) -> None:
    """0.68 with hardness 320 and alkalinity 260 is 680 µS/cm: 680/320 = 2.13."""
    samples = table_of(total_hardness_mg_l_caco3=[320], alkalinity_mg_l_caco3=[260], conductivity_us_cm_25c=[0.68])

    finding = found("conductivity-vs-hardness", samples)

    assert finding["severity"] == "hold"
    assert finding["alternative"] == "conductivity in mS/cm (× 1000)"
    assert finding["ratio"] * 1000 == pytest.approx(2.13, abs=0.01)


@pytest.mark.common_practice
def test_softened_house_is_a_note_with_the_sodium_it_needs(table_of: Table) -> None:
    """(267.7 − 17.8)/2.177 = 115 mg/L at least; (660/93 − 0.178) · 22.99 = 159 mg/L from conductivity."""
    samples = table_of(
        total_hardness_mg_l_caco3=[""],
        total_hardness_mg_l_caco3__low=[0],
        total_hardness_mg_l_caco3__high=[17.848],
        total_hardness_mg_l_caco3__method=["drops"],
        alkalinity_mg_l_caco3=[267.7],
        alkalinity_mg_l_caco3__method=["drops"],
        conductivity_us_cm_25c=[660],
        supply=["softener in the garage"],
    )

    finding = found("alkalinity-over-hardness", samples)

    assert finding["severity"] == "note"
    assert finding["sodium_needed"] == pytest.approx(115, abs=0.5)
    assert finding["sodium_from_conductivity_mg_l"] == pytest.approx(159, abs=0.5)
    assert finding["alternative"].startswith("Softened water, as stated")
    assert found("conductivity-vs-hardness", samples) == {}


@pytest.mark.source("IUPAC2021")
def test_acid_capacity_tells_the_form_of_the_bicarbonate(table_of: Table) -> None:
    """5.20 mmol/L · 50.04 = 260.2 as CaCO3 and · 61.017 = 317.3 as HCO3; 260 under HCO3 is as CaCO3."""
    wrong = table_of(alkalinity_mg_l_caco3=[5.20 * 50.04345], bicarbonate_mg_l=[260])
    right = table_of(alkalinity_mg_l_caco3=[5.20 * 50.04345], bicarbonate_mg_l=[317.3])

    finding = found("alkalinity-forms", wrong)

    assert finding["severity"] == "hold"
    assert finding["bicarbonate_if_alkalinity_is_right_mg_l"] == pytest.approx(317.3, abs=0.05)
    assert finding["alternative"].startswith("Bicarbonate given as CaCO3 (× 1.219)")
    assert found("alkalinity-forms", right) == {}


@pytest.mark.common_practice
def test_millisiemens_per_metre_of_a_laboratory_report(table_of: Table) -> None:
    """67.7 mS/m is 677 µS/cm; hardness 2.497 · 98 + 4.118 · 17 = 314.7; 677/314.7 = 2.15."""
    finding = found("conductivity-vs-hardness", table_of(**REPORT, conductivity_us_cm_25c=[67.7]))

    assert finding["hardness"] == pytest.approx(314.7, abs=0.05)
    assert "conductivity in mS/m (× 10)" in finding["alternative"]
    assert found("conductivity-vs-hardness", table_of(**REPORT, conductivity_us_cm_25c=[677])) == {}


@pytest.mark.source("PB1982")
@pytest.mark.parametrize(("temperature", "pk1"), [(25.0, 6.352), (10.0, 6.46)])
def test_carbon_dioxide_follows_from_the_first_constant(temperature: float, pk1: float, table_of: Table) -> None:
    """CO2 = ALK/50.04 · 10^(pK1 − pH) · 44.01; pK1 6.3519 at 25 °C, 6.46 at 10 °C."""
    samples = table_of(ph=[6.0], temperature_c=[temperature], alkalinity_mg_l_caco3=[200], stage=["raw"])

    finding = found("carbon-dioxide", samples)

    assert finding["observed"] == pytest.approx(200 / 50.04345 * 10 ** (pk1 - 6.0) * 44.0095, rel=0.02)
    assert finding["ph_at_limit"] == pytest.approx(6.0 + np.log10(finding["observed"] / 100), abs=1e-6)


@pytest.mark.source("PB1982")
@pytest.mark.parametrize(("ph", "share"), [(8.3, 0.018), (9.0, 0.086), (9.7, 0.32)])
def test_carbonate_share_of_the_alkalinity(ph: float, share: float, table_of: Table) -> None:
    """Share r/(1 + r), r = 2 · 10^(pH − 10.33): 1.8 % at pH 8.3, 8.6 % at 9.0, 32 % at 9.7; P is half."""
    samples = table_of(ph=[ph], temperature_c=[25], alkalinity_mg_l_caco3=[100.0])

    result = first_row("carbonate-vs-ph", samples)

    assert result["partial_expected"] == pytest.approx(100 * share / 2, rel=0.03)


@pytest.mark.common_practice
@pytest.mark.parametrize("analyte", ["iron", "manganese", "copper", "lead"])
def test_metals_are_held_and_never_scaled(analyte: str, table_of: Table) -> None:
    """The finding asks for the unit; the value stays as it was read."""
    samples = table_of(**{f"{analyte}_mg_l": [60.0]})

    finding = found("out-of-physical-range", samples)

    assert (finding["severity"], finding["observed"]) == ("hold", 60.0)
    assert "never scaled" in finding["alternative"]


@pytest.mark.source("KCL001")
@pytest.mark.parametrize(("reading", "findings"), [(1278.0, 1), (1413.0, 0)])
def test_standard_solution_at_20_degrees_shows_the_compensation(reading: float, findings: int, table_of: Table) -> None:
    """0.01 mol/L potassium chloride shows 1278 at 20 °C without compensation and 1413 µS/cm with it."""
    samples = table_of(temperature_c=[20], conductivity_us_cm_25c=[reading], activity=["standard"])

    result, seen = run_check(CHECKS["temperature-compensation"], samples, LIMITS)

    assert (len(result), seen.tolist()) == (findings, [True])


def test_findings_of_a_biased_source_become_notes(table_of: Table) -> None:
    """22 samples share one offset of −14 %; the one that is off by more keeps its hold."""
    factor = np.linspace(0.6, 1.4, 22)
    columns = {name: list(np.round(value[0] * factor, 2)) for name, value in REPORT.items()}
    columns["alkalinity_mg_l_caco3"] = [1.15 * value for value in columns.pop("bicarbonate_mg_l")]
    columns["chloride_mg_l"][5] = 400.0
    samples = table_of(**columns, file_sha256=["report"] * 22)
    parts = [run_check(CHECKS[name], samples, LIMITS)[0] for name in ("ion-balance", "source-balance-bias")]
    findings = pd.concat(parts, ignore_index=True)

    explained = explained_by_source(findings, samples.about.index.get_indexer(findings["sample_id"]), samples)

    own = explained[explained["check_id"] == "ion-balance"]
    assert (findings.loc[own.index, "severity"] == "hold").all()
    assert own.loc[own["severity"] == "hold", "sample_id"].tolist() == ["6"]
    assert own.loc[own["severity"] == "note", "message"].str.endswith("about the source.").all()
    assert len(own) == 22


def test_findings_without_a_source_finding_stay(table_of: Table) -> None:
    samples = table_of(**{**REPORT, "chloride_mg_l": [400.0]})
    findings, _ = run_check(CHECKS["ion-balance"], samples, LIMITS)

    pd.testing.assert_frame_equal(
        explained_by_source(findings, samples.about.index.get_indexer(findings["sample_id"]), samples), findings
    )


@given(st.floats(0.01, 100), st.floats(1, 1000))
def test_tolerance_scales_with_the_unit(factor: float, value: float) -> None:
    """A tolerance in another unit is the tolerance times the factor."""
    quantity = Quantity(np.array([value]), np.array([0.05 * value]), np.array([0.1]))

    assert tolerance(quantity.times(factor), quantity.times(factor))[0] == pytest.approx(
        factor * tolerance(quantity, quantity)[0], rel=1e-12
    )


@settings(max_examples=5)  # each builds two sample tables
@given(st.lists(st.floats(0.2, 5.0), min_size=2, max_size=8))
def test_order_of_the_samples_changes_nothing(factors: list[float]) -> None:
    """Every sample is judged by itself: rows backwards give the numbers backwards."""
    frame = pd.DataFrame({name: [value[0] * factor for factor in factors] for name, value in REPORT.items()})
    forward, backward = (_samples(part) for part in (frame, frame[::-1]))

    one = measured_balance(forward, IonBalanceLimits())
    other = measured_balance(backward, IonBalanceLimits())

    np.testing.assert_array_equal(one, other[::-1])


def _samples(frame: pd.DataFrame) -> SampleTable:
    return with_derived(samples_from_wide(frame.reset_index(drop=True).assign(file_sha256="one")))


@pytest.mark.source("JCGM106")
@pytest.mark.parametrize(("bicarbonate", "severity"), [(300.0, "note"), (240.0, "hold")])
def test_a_balance_within_three_standard_uncertainties_is_a_note(
    table_of: Table, bicarbonate: float, severity: str
) -> None:
    """5 % (k = 2) per ion, 12 % of an alkalinity of 4.92 meq/L: together 0.64 of 15.3 meq/L, 4.2 %; 1.5 times is 6.3 %.

    Cations 8.193; 300 mg/L bicarbonate makes anions of 7.359: +5.4 %; 240 makes 6.375: +12.5 %, more than 10 %.
    """
    water = {**REPORT, "sodium_mg_l": [42.0], "bicarbonate_mg_l": [bicarbonate]}
    samples = table_of(**water, **{"bicarbonate_mg_l.u": [0.12 * bicarbonate]})

    finding = found("ion-balance", samples)

    assert finding["severity"] == severity
    assert abs(finding["observed"]) > finding["high"]


# Hard alkaline water at pH 8.9: Ca 300, Mg 40 mg/L, alkalinity 900 mg/L as CaCO3; PHREEQC's conductance is 1,282 µS/cm.
ALKALINE = {
    "calcium_mg_l": [300.0],
    "magnesium_mg_l": [40.0],
    "sodium_mg_l": [20.0],
    "alkalinity_mg_l_caco3": [900.0],
    "chloride_mg_l": [26.0],
    "sulfate_mg_l": [20.0],
    "ph": [8.9],
    "temperature_c": [25.0],
}


@pytest.mark.source("PHREEQC3")
def test_a_ratio_that_the_ions_themselves_have_is_not_held(table_of: Table) -> None:
    """Pairs with bicarbonate and carbonate carry little: a ratio below the lowest, and all the same the water's own."""
    own = table_of(**ALKALINE, conductivity_us_cm_25c=[1282.0])
    without = {name: value for name, value in ALKALINE.items() if not name.startswith(("calcium", "magnesium"))}
    typed = table_of(**without, total_hardness_mg_l_caco3=[914.0], conductivity_us_cm_25c=[1282.0])

    assert found("conductivity-from-ions", own) == {}
    for check_id in ("conductivity-vs-hardness", "conductivity-vs-alkalinity"):
        told = found(check_id, own)
        assert told["severity"] == "note"
        assert "the ions together carry" in told["alternative"]
        assert found(check_id, typed)["severity"] == "hold"


@pytest.mark.common_practice
def test_ten_times_the_history_is_another_water_where_others_moved_as_well(table_of: Table) -> None:
    """Sulfate ten times what it was: a digit, if all else stayed; a gypsum well, if chloride doubled with it."""
    steady = {
        "total_hardness_mg_l_caco3": [200.0, 202.0, 198.0, 201.0],
        "alkalinity_mg_l_caco3": [150.0, 152.0, 149.0, 150.0],
        "sulfate_mg_l": [3.0, 3.1, 2.9, 30.0],
        "client": ["K"] * 4,
        "site": ["A"] * 4,
        "stage": ["raw"] * 4,
    }
    digit = table_of(**steady, chloride_mg_l=[10.0, 10.2, 9.9, 10.0])
    source = table_of(**steady, chloride_mg_l=[10.0, 10.2, 9.9, 21.0])

    assert found("factor-ten", digit)["analyte"] == "sulfate"
    assert found("factor-ten", source) == {}


def test_a_message_writes_ph_as_people_do() -> None:
    samples = samples_from_wide(pd.DataFrame({"ph": [74.0]}))

    findings, _ = run_check(CHECKS["out-of-physical-range"], samples, Limits())

    assert findings["message"].item().startswith("pH 74 is out of range")
    assert findings["analyte"].item() == "ph"
