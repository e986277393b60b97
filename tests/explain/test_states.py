"""What is true of a water or of a count is not taken for a mistake, and what was not measured is named."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.chemistry.conductance import expected
from pipeline.explain.mistakes.catalogue import catalogue
from pipeline.explain.record import ROW, record_of
from pipeline.explain.relations.evaluate import evaluate
from pipeline.explain.suspicion import SuspicionLimits, doubts

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.explain.rank import Weighed
    from pipeline.explain.tables import Explained
    from pipeline.normalise.sample_table import SampleTable

    Builder = Callable[..., SampleTable]
    Counter = Callable[..., SampleTable]
    Explainer = Callable[..., Explained]
    Weigher = Callable[..., Weighed]

# Ca 80, Mg 12, Na 20, K 5.5 carry 5.99 meq/L; HCO3 250, SO4 40, Cl 36, NO3 10 as many.
LAB = {"ca": 80.0, "mg": 12.0, "na": 20.0, "k": 5.5, "hco3": 250.0, "so4": 40.0, "cl": 36.0, "no3": 10.0, "ph": 7.4}
PAST = {"client": "c", "site": "s", "stage": "raw", "sampling_point": "tap"}


def first(found: Explained, sample: str = "0") -> tuple[str, str]:
    rows = found.explanations[found.explanations["sample_id"] == sample]
    return rows["mistake"].iloc[0], rows["analyte"].iloc[0]


def carried(waters: Builder, **ions: float) -> float:
    return float(expected(waters(**ions).filled)["conductivity_us_cm_25c"].item())


@pytest.mark.source("IUPAC2021")
def test_a_softener_lets_potassium_and_chloride_pass(waters: Builder, weighed: Weigher) -> None:
    """Calcium and magnesium of LAB exchanged: 20 + (80/20.04 + 12/12.15) · 22.99 = 134 mg/L of sodium, all else stays.

    One part of potassium to 67 of sodium is strange for a spring and right for a resin.
    """
    soft = {**LAB, "ca": 1.0, "mg": 0.2, "na": 133.0, "k": 2.0}

    found = weighed(waters(**soft, ec=carried(waters, **soft)))

    assert first(found.tables())[0] in ("softened-water", "no-mistake")
    assert doubts(found, SuspicionLimits())["observed"].item() < 60.0


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("hardness", "alkalinity", "conductivity"),
    [
        (
            [400.0, 394.0, 394.0, 5.0],
            [410.0, 380.0, 400.0, 325.0],
            [770.0, 763.0, 790.0, 656.0],
        ),  # a softener was put in
        ([8.0, 8.0, 9.0, 210.0], [300.0, 310.0, 305.0, 230.0], [690.0, 700.0, 695.0, 560.0]),  # and one taken out
        ([120.0, 118.0, 123.0, 330.0], [95.0, 97.0, 94.0, 180.0], [270.0, 265.0, 268.0, 760.0]),  # another well
    ],
)
def test_another_water_in_a_site_with_a_history_is_no_mistake(
    waters: Builder, weighed: Weigher, hardness: list[float], alkalinity: list[float], conductivity: list[float]
) -> None:
    days = [f"2025-0{month}-01" for month in range(1, 5)]

    found = weighed(waters(**PAST, collected_at=days, th=hardness, alk=alkalinity, ec=conductivity))

    assert first(found.tables(), "3")[0] in ("source-change", "softened-water")
    assert doubts(found, SuspicionLimits())["observed"].max() < 60.0


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(("ion", "analyte", "meq"), [("na", "sodium", 20 / 22.99), ("so4", "sulfate", 40 / 48.03)])
def test_an_ion_nobody_measured_is_named_with_what_would_close_the_balance(
    waters: Builder, weighed: Weigher, ion: str, analyte: str, meq: float
) -> None:
    rest = {name: value for name, value in LAB.items() if name != ion}

    found = weighed(waters(**rest, ec=carried(waters, **LAB)))

    row = found.tables().explanations.iloc[0]
    assert (row["mistake"], row["analyte"], row["unit"]) == ("missing-ion", analyte, "meq/L")
    assert row["value_to"] == pytest.approx(meq, rel=0.25)
    doubt = doubts(found, SuspicionLimits()).iloc[0]
    assert (doubt["severity"], doubt["observed"] > doubt["high"]) == ("note", True)
    assert "was not measured" in doubt["alternative"]


@pytest.mark.source("JCGM100")
def test_the_first_drop_is_anything_down_to_nothing(counted: Counter) -> None:
    """The mean of ln x over (0, d] is ln d − 1 and its deviation 1: d/2.718, as wide as itself."""
    drop = {"sample_id": "a", "analyte": "total_hardness", "drops": 1, "degree": 17.8, "nominal": 10, "used": 10}
    ions = [
        {"sample_id": "a", "analyte": name, "value": value} for name, value in (("calcium", 0.4), ("magnesium", 0.1))
    ]

    record = record_of(counted([drop, *ions], pd.DataFrame(index=pd.Index(["a"], name="sample_id"))))
    relation = evaluate(record.amounts, record.laboratory_tds)["hardness-sum"]

    row = ROW["total_hardness"]
    assert record.amounts[row, 0] == pytest.approx(17.8 / np.e)
    assert record.spread[row, 0] == pytest.approx(17.8 / np.e)
    assert record.amounts[row, 0] + record.half[row, 0] == pytest.approx(17.8)
    # 2.497 · 0.4 + 4.118 · 0.1 = 1.41 mg/L: one count in thirteen of such a drop lies below that.
    assert abs(relation.gap.item() / (record.spread[row, 0] / record.amounts[row, 0])) < 2.0


@pytest.mark.common_practice
def test_a_drop_count_has_no_form_no_decimal_sign_and_the_unit_of_a_kit(counted: Counter) -> None:
    drop = {"sample_id": "a", "analyte": "alkalinity", "drops": 14, "degree": 17.848, "nominal": 10, "used": 10}
    record = record_of(counted([drop], pd.DataFrame(index=pd.Index(["a"], name="sample_id"))))

    own = [one for one in catalogue() if one.row == ROW["alkalinity"] and one.change is not None]
    can = [one for one in own if not np.isnan(one.change(record)[one.row]).any()]  # type: ignore[misc] -- not None

    named = {(one.mistake, one.detail) for one in can}
    assert not {detail for mistake, detail in named if mistake == "wrong-basis"}
    assert {detail for mistake, detail in named if mistake == "wrong-unit"} == {"°f", "°Clark", "gpg"}
    assert {detail for mistake, detail in named if mistake == "factor-ten"} == {"÷ 10"}  # 1.4 drops; 140 nobody counts


@pytest.mark.source("HEM1985")
def test_a_weighed_residue_has_no_scale_and_holds_silica_nobody_read(waters: Builder, explained: Explainer) -> None:
    """Ions of LAB as a residue: 453.5 − 0.5083 · 250 = 326 mg/L, and 25 mg/L of silica."""
    lab = waters(**LAB, ec=carried(waters, **LAB), tds=351.0, **{"tds_mg_l.method": "laboratory"})

    found = explained(lab)

    assert record_of(lab).laboratory_tds.all()
    assert first(found) == ("no-mistake", "")
    assert "wrong-tds-scale" not in set(found.explanations["mistake"])


@pytest.mark.common_practice
def test_a_sample_on_hold_is_told_what_comes_next(waters: Builder, explained: Explainer) -> None:
    kit = waters(th=250.0, alk=196.0, ec=533.0, ph=7.4)
    held = pd.DataFrame({"check_id": ["blank"], "sample_id": ["0"], "severity": ["hold"]})

    calm, asked = explained(kit), explained(kit, held)

    assert calm.explanations["mistake"].tolist() == ["no-mistake"]
    assert asked.explanations["mistake"].iloc[0] == "none-of-these"
    assert asked.explanations["evidence"].iloc[0] == "found by the check above"
    assert asked.explanations.set_index("mistake")["probability"]["no-mistake"] < 0.2


@pytest.mark.source("JCGM106")
def test_what_is_merely_unusual_holds_nothing(waters: Builder, weighed: Weigher) -> None:
    """Sulfate 3 and nitrate 30 exchanged change nothing that must agree: only ranges speak, and they hold nobody."""
    water = {**LAB, "so4": 3.0, "no3": 60.0}

    doubt = doubts(weighed(waters(**water, ec=carried(waters, **water))), SuspicionLimits()).iloc[0]

    assert np.isnan(doubt["high"])


@pytest.mark.common_practice
def test_what_the_store_knows_of_a_site_is_its_history(waters: Builder, explained: Explainer) -> None:
    """Hardness 512 where the store has 250 four times, all else as ever: a volume of one half, not another water."""
    now = waters(**PAST, collected_at="2025-06-01", th=512.0, alk=196.0, ec=1065.0)
    known = {"total_hardness_mg_l_caco3": 512.0, "alkalinity_mg_l_caco3": 198.0, "conductivity_us_cm_25c": 1060.0}
    past = pd.DataFrame([{**PAST, **known, "collected_at": pd.Timestamp("2025-01-01", tz="UTC")}] * 4)
    other = past.assign(total_hardness_mg_l_caco3=250.0)

    plain, same, apart = (explained(replace(now, earlier=earlier)) for earlier in (now.earlier, past, other))

    assert first(plain)[0] == first(same)[0] == "no-mistake"
    assert first(apart)[1] == "total_hardness"
    assert apart.explanations["value_to"].iloc[0] == pytest.approx(250.0, rel=0.15)


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize("scale", [1.0, 6.0])
def test_a_list_without_bicarbonate_accuses_no_ion_and_names_the_gap(
    waters: Builder, weighed: Weigher, scale: float
) -> None:
    """Cations of 5.99 meq/L less chloride 1.02, sulfate 0.83 and nitrate 0.16: 3.98 meq/L, · 50.04 = 199 mg/L."""
    listed = {name: scale * value for name, value in LAB.items() if name not in ("hco3", "ph")}
    meq = 80 / 20.04 + 12 / 12.15 + 20 / 22.99 + 5.5 / 39.10 - 36 / 35.45 - 40 / 48.03 - 10 / 62.00

    found = weighed(waters(**{name: [value] * 6 for name, value in listed.items()}, file_sha256="f" * 64))

    assert found.patterns.table.empty
    top = found.tables().explanations[found.tables().explanations["rank"] == 1]
    assert set(top["mistake"]) == {"missing-ion"}
    assert set(top["analyte"]) == {"alkalinity"}
    assert top["value_to"].to_numpy() == pytest.approx(scale * meq, rel=0.02)
    if scale == 1.0:
        assert "199 mg/L as CaCO3" in top["evidence"].iloc[0]
    doubt = doubts(found, SuspicionLimits())
    assert set(doubt["severity"]) == {"note"}


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("treatment", "raw", "treated", "wrong"),
    [
        ("softener", (250.0, 200.0, 530.0), (8.0, 199.0, 548.0), ""),
        ("softener", (250.0, 200.0, 530.0), (8.0, 111.5, 548.0), "alkalinity"),
        ("decarboniser", (250.0, 200.0, 530.0), (130.0, 82.0, 320.0), ""),
        ("carbon", (250.0, 200.0, 530.0), (140.0, 199.0, 528.0), "total_hardness"),
        ("reverse osmosis", (250.0, 200.0, 530.0), (24.0, 21.0, 60.0), ""),
        ("reverse osmosis", (260.0, 205.0, 560.0), (58.0, 47.0, 131.0), ""),
        ("reverse osmosis", (260.0, 150.0, 560.0), (60.0, 104.0, 224.0), "total_hardness"),
        ("softener + reverse osmosis", (250.0, 200.0, 530.0), (2.0, 14.0, 40.0), ""),
        ("softener", (900.0, 205.0, 1480.0), (12.0, 203.0, 1680.0), ""),
        ("filter jug", (260.0, 205.0, 560.0), (150.0, 90.0, 345.0), ""),
        ("filter jug", (260.0, 205.0, 560.0), (250.0, 40.0, 545.0), "alkalinity"),
        ("decarboniser", (250.0, 200.0, 530.0), (130.0, 82.0, 220.0), "conductivity"),
        ("", (250.0, 200.0, 530.0), (130.0, 82.0, 338.0), ""),
        ("", (250.0, 200.0, 530.0), (8.0, 199.0, 548.0), ""),
        ("", (250.0, 200.0, 530.0), (130.0, 198.0, 338.0), "alkalinity"),
    ],
)
def test_the_other_bottle_binds_what_a_treatment_leaves_or_takes_alike(
    waters: Builder,
    weighed: Weigher,
    treatment: str,
    raw: tuple[float, ...],
    treated: tuple[float, ...],
    wrong: str,
) -> None:
    """A softener leaves alkalinity, carbon all (0.56: °f for °dH); a weak acid takes 120 and 118, a membrane all.

    What a membrane lets pass of softened water holds no hardness; gypsum water softened conducts a seventh more; a jug
    takes at least as much hardness as alkalinity. Of a treatment nobody named some kind must fit: none takes 120 of
    hardness and 192 µS/cm and leaves the alkalinity. A weak acid that takes 2.36 meq/L takes some 190 µS/cm, never 310.
    """
    place = {
        "client": "c",
        "site": "s",
        "stage": ["raw", "treated"],
        "treatment": treatment,
        "collected_at": "2025-03-01",
    }
    rows = {name: [one, other] for name, one, other in zip(("th", "alk", "ec"), raw, treated, strict=True)}

    found = weighed(waters(**place, **rows))

    doubt = doubts(found, SuspicionLimits())
    assert (found.against()["either"].max() >= 0.65) == bool(wrong)
    assert ((doubt["observed"] > doubt["high"]) & (doubt["severity"] == "hold")).any() == bool(wrong)
    if wrong:
        own = found.tables().explanations[(found.tables().explanations["sample_id"] == "1")]
        assert wrong in set(own["analyte"].head(3))


@pytest.mark.source("JCGM106")
def test_what_speaks_against_a_pair_is_shared_out_between_its_bottles(waters: Builder, weighed: Weigher) -> None:
    """Behind carbon 53 µS/cm, before it 530: 53 is no conductivity of 250 mg/L of hardness, and 530 is one.

    p = a / (1 + a + b): the bottle whose own readings agree is cleared by what is known of the other one.
    """
    place = {
        "client": "c",
        "site": "s",
        "stage": ["raw", "treated"],
        "treatment": "carbon",
        "collected_at": "2025-03-01",
    }

    found = weighed(waters(**place, th=[250.0, 250.0], alk=[200.0, 200.0], ec=[530.0, 53.0]))

    told = found.tables().explanations
    wrong = 1.0 - told[told["mistake"] == "no-mistake"].set_index("sample_id")["probability"]
    assert wrong["1"] > 0.95
    assert wrong["0"] < 0.05
    assert found.against()["either"].min() > 0.95
