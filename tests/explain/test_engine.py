"""What an explanation may and may not do: probabilities, ties, true states, clean records, tables."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.chemistry.conductance import expected
from pipeline.explain.mistakes.catalogue import catalogue
from pipeline.explain.possible import blocks, possible
from pipeline.explain.priors import UNNAMED_ALIKE, priors
from pipeline.explain.ranges import past_readings
from pipeline.explain.rank import explain
from pipeline.explain.readings import PairReadings
from pipeline.explain.record import ROW, ROWS, record_of
from pipeline.explain.relations.density import joint_density
from pipeline.explain.relations.evaluate import evaluate
from pipeline.explain.search import Received, agreement
from pipeline.reference import table

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.explain.rank import Weighed
    from pipeline.explain.tables import Explained
    from pipeline.normalise.sample_table import SampleTable

    Builder = Callable[..., SampleTable]
    Explainer = Callable[..., Explained]

LAB = {"ca": 98.0, "mg": 17.0, "na": 21.0, "k": 3.0, "cl": 38.0, "so4": 55.0, "no3": 14.0}
KIT = {"th": 250.0, "alk": 196.0, "ec": 533.0, "ph": 7.4}


def tops(found: Explained) -> list[tuple[str, str]]:
    """Give mistake and analyte of the first explanation of every sample."""
    first = found.explanations[found.explanations["rank"] == 1]
    return list(zip(first["mistake"], first["analyte"], strict=True))


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("changed", "mistake", "analyte", "value"),
    [
        ({"ec": 0.533}, "wrong-unit", "conductivity", 533.0),  # mS/cm: 1 mS/cm = 1000 µS/cm
        ({"ec": 53.3}, "wrong-unit", "conductivity", 533.0),  # mS/m: 1 mS/m = 10 µS/cm
        ({"th": 2500.0}, "factor-ten", "total_hardness", 250.0),
        ({"th": 14.0}, "wrong-unit", "total_hardness", 14.0 * 17.848),  # 14 °dH
        ({"ph": 74.0}, "factor-ten", "ph", 7.4),
    ],
)
def test_a_lost_unit_or_digit_of_a_kit_record_is_named(
    waters: Builder, explained: Explainer, changed: dict[str, float], mistake: str, analyte: str, value: float
) -> None:
    rows = explained(waters(**{**KIT, **changed})).explanations

    named = rows[(rows["mistake"] == mistake) & (rows["analyte"] == analyte)]
    assert (rows["analyte"].iloc[0], named["rank"].min() <= 2) == (analyte, True)
    assert named["value_to"].iloc[0] == pytest.approx(value, rel=1e-3)


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("changed", "mistake", "analyte", "other"),
    [
        ({"ca": 98.0 * 2.497}, "wrong-basis", "calcium", ""),  # as CaCO3: 100.087/40.078
        ({"ca": 9.8}, "factor-ten", "calcium", ""),
        ({"hco3": 130.0}, "digits-transposed", "bicarbonate", ""),
        ({"ca": 17.0, "mg": 98.0}, "swapped-analytes", "calcium", "magnesium"),
        ({"cl": 380.0}, "factor-ten", "chloride", ""),
    ],
)
def test_a_mistake_in_a_full_analysis_is_named(
    waters: Builder, explained: Explainer, changed: dict[str, float], mistake: str, analyte: str, other: str
) -> None:
    found = explained(waters(**{**LAB, "hco3": 310.0, "ec": 715.0, **changed}))

    row = found.explanations.iloc[0]
    assert (row["mistake"], row["analyte"], row["other_analyte"]) == (mistake, analyte, other)


@pytest.mark.common_practice
def test_probabilities_are_those_of_all_answers_and_ranks_follow_them(waters: Builder, explained: Explainer) -> None:
    rows = explained(waters(**{**LAB, "hco3": 386.5, "ec": 700.0})).explanations

    assert rows["probability"].sum() == pytest.approx(1.0, abs=0.06)  # answers below 1 % are not told
    assert rows["probability"].is_monotonic_decreasing
    assert rows["rank"].tolist() == list(range(1, len(rows) + 1))
    assert {"no-mistake", "none-of-these"} <= set(rows["mistake"])


@pytest.mark.common_practice
def test_two_explanations_that_fit_equally_are_both_told_and_the_separating_question_is_asked(
    waters: Builder, explained: Explainer
) -> None:
    """19.6 where 196 belongs: a lost zero, or 19.6 °f = 196 mg/L as CaCO3; no number of the record can tell."""
    found = explained(waters(**{**KIT, "alk": 19.6}))

    rows = found.explanations
    pair = rows[(rows["value_to"] - 196.0).abs() < 0.1]
    assert set(pair["mistake"]) == {"factor-ten", "wrong-unit"}
    assert pair["probability"].max() / pair["probability"].min() < 3.0
    assert len(found.questions) >= 2
    assert found.questions["question"].str.contains("unit").any()
    assert found.questions["separates"].str.contains("digit lost").all()


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("water", "states"),
    [
        ({"th": 9.0, "alk": 260.0, "ec": 663.0, "na": 167.0, "ph": 7.5}, {"softened-water"}),
        ({"th": 9.0, "alk": 260.0, "ec": 663.0, "ph": 7.5}, {"softened-water"}),
        ({"th": 150.0, "alk": 700.0, "ec": 1300.0, "na": 255.0, "ph": 6.3}, {"soda-water", "softened-water"}),
    ],
)
def test_true_waters_are_not_explained_as_mistakes(
    waters: Builder, explained: Explainer, water: dict[str, float], states: set[str]
) -> None:
    found = explained(waters(**water))

    assert found.explanations["mistake"].iloc[0] in states


@pytest.mark.source("MNR2012")
def test_records_that_agree_get_no_explanation(waters: Builder, explained: Explainer) -> None:
    """Fifty balanced waters with laboratory noise; conductivity from the published ionic conductivities."""
    random = np.random.default_rng(11)
    medians = {"ca": 60.0, "mg": 12.0, "na": 15.0, "k": 2.0, "cl": 20.0, "so4": 25.0, "no3": 8.0}
    ions = {name: value * np.exp(random.normal(0, 0.5, 50)) for name, value in medians.items()}
    cations = ions["ca"] / 20.039 + ions["mg"] / 12.153 + ions["na"] / 22.990 + ions["k"] / 39.098
    anions = ions["cl"] / 35.453 + ions["so4"] / 48.031 + ions["no3"] / 62.005
    balanced = cations - anions > 0.5
    ions["hco3"] = np.maximum(cations - anions, 0.5) * 61.017
    exact = waters(**{name: values.tolist() for name, values in ions.items()}).filled
    ions["ec"] = expected(exact)["conductivity_us_cm_25c"].to_numpy()
    noisy = {name: (values * np.exp(random.normal(0, 0.015, 50)))[balanced].tolist() for name, values in ions.items()}

    found = explained(waters(**noisy, ph=7.5))

    assert balanced.sum() > 40
    assert set(found.explanations["mistake"]) == {"no-mistake"}


@pytest.mark.common_practice
def test_only_the_chosen_samples_are_explained_and_nothing_is_changed(waters: Builder) -> None:
    samples = waters(**{**KIT, "ec": [533.0, 53.3, 0.533]})
    before = samples.measured.copy()
    none = pd.DataFrame({"check_id": pd.Series(dtype="str"), "sample_id": pd.Series(dtype="str")})

    found = explain(samples, none, Limits(), np.array([False, True, False]))

    assert set(found.tables().explanations["sample_id"]) == {"1"}
    pd.testing.assert_frame_equal(samples.measured, before)
    assert explain(samples, none, Limits(), np.zeros(3, dtype="bool")).tables().explanations.empty


@pytest.mark.common_practice
def test_the_order_of_the_samples_changes_nothing(waters: Builder, explained: Explainer) -> None:
    rows = {"sample_id": ["a", "b", "c"], **KIT, "ec": [533.0, 53.3, 0.533]}
    turned = {name: value[::-1] if isinstance(value, list) else value for name, value in rows.items()}

    one, other = (explained(waters(**columns)).explanations for columns in (rows, turned))

    keys = ["sample_id", "rank"]
    pd.testing.assert_frame_equal(
        one.sort_values(keys, ignore_index=True), other.sort_values(keys, ignore_index=True), rtol=1e-9
    )


@pytest.mark.source("APHA1030")
def test_the_relations_of_a_record_are_those_of_arithmetic(waters: Builder) -> None:
    """Σcat 7.280, Σan 7.618 meq/L: (7.280 − 7.618)/14.898 = −2.27 %; 2.497·98 + 4.118·17 = 314.7 mg/L."""
    record = record_of(waters(**LAB, hco3=317.0, th=316.0, alk=259.0, ec=677.0))

    found = evaluate(record.amounts, record.laboratory_tds)

    # 317 mg/L of bicarbonate are 5.195 meq/L, an alkalinity of 260.0 mg/L; ln(259/260) = −0.0038.
    assert 100.0 * found["ion-balance"].gap.item() == pytest.approx(-2.27, abs=0.02)
    assert found["hardness-sum"].predicted.item() == pytest.approx(314.7, abs=0.1)
    assert found["alkalinity-forms"].gap.item() == pytest.approx(-0.0038, abs=1e-3)


@pytest.mark.source("JCGM102")
def test_slopes_of_the_relations_are_their_derivatives(waters: Builder) -> None:
    """J is checked by central differences, one reading at a time."""
    record = record_of(waters(**LAB, hco3=317.0, th=316.0, alk=259.0, ec=677.0, tds=400.0, ph=8.6))
    found = evaluate(record.amounts, record.laboratory_tds)

    for name in ("calcium", "sodium", "alkalinity", "sulfate", "conductivity", "total_hardness"):
        step = 1e-4 * record.amounts[ROW[name]]
        shifted = [record.amounts.copy(), record.amounts.copy()]
        shifted[0][ROW[name]] -= step
        shifted[1][ROW[name]] += step
        below, above = (evaluate(values, record.laboratory_tds) for values in shifted)
        for relation in ("ion-balance", "conductivity-from-ions", "hardness-sum", "alkalinity-forms"):
            slope = ((above[relation].gap - below[relation].gap) / (2 * step)).item()
            stated = np.nan_to_num(found[relation].slopes.get(ROW[name], np.zeros(1))).item()
            # The conductivity's slope leaves out that salts hinder each other: within a fifth.
            assert stated == pytest.approx(slope, rel=0.2, abs=1e-9), (name, relation)


@pytest.mark.source("JCGM102")
def test_the_joint_density_is_that_of_the_multivariate_normal(waters: Builder) -> None:
    """Check ln N(g; 0, C) = −½ (gᵀC⁻¹g + ln det C + n ln 2π), with C = J Σ Jᵀ + M laid out as a matrix."""
    record = record_of(waters(**LAB, hco3=310.0, th=320.0, alk=250.0, ec=640.0))
    found = evaluate(record.amounts, record.laboratory_tds)
    names = [name for name, relation in found.items() if not np.isnan(relation.gap).any()]
    gap = np.array([found[name].gap.item() for name in names])
    slopes = np.zeros((len(names), len(record.amounts)))
    for place, name in enumerate(names):
        for row, slope in found[name].slopes.items():
            slopes[place, row] = np.nan_to_num(slope).item()
    model = np.diag([found[name].model.item() for name in names])
    covariance = slopes @ np.diag(np.nan_to_num(record.spread[:, 0]) ** 2) @ slopes.T + model
    wanted = gap @ np.linalg.solve(covariance, gap)
    density = -0.5 * (wanted + np.linalg.slogdet(covariance)[1] + len(names) * np.log(2 * np.pi))
    density += sum(found[name].shape.item() for name in names if found[name].shape.size)  # two halves, unlike wide

    log_density, misfit, count = joint_density(found, record.spread)

    assert count.item() == len(names) >= 4
    assert misfit.item() == pytest.approx(wanted)
    assert log_density.item() == pytest.approx(density)


@pytest.mark.source("JCGM106")
def test_what_a_candidate_leaves_alone_is_judged_as_if_the_record_had_come_so(waters: Builder) -> None:
    """Rows that a candidate does not touch are taken over from the sample: the same as a record of its readings."""
    once = {"hco3": [310.0, np.nan, 300.0, 305.0, 315.0], "th": [320.0, 250.0, np.nan, 310.0, 315.0]}
    samples = waters(**LAB, **once, alk=250.0, ec=640.0, tds=[np.nan, 400.0, 410.0, 390.0, 400.0], ph=7.4, site="s")
    record = record_of(samples)
    received = Received(record, past_readings(samples, record))
    seen = {name: np.ones(len(record), dtype="bool") for names in priors().seen_by for name in names}
    weighed = 0

    for pairs, _ in blocks(record, possible(record, seen, np.ones(len(catalogue()), dtype="bool"))):
        every_row = [np.array([whole[row] for row in range(len(ROWS))]) for whole in (pairs.amounts, pairs.spread)]
        amounts, spread = (PairReadings(whole, np.arange(pairs.sample.size), {}) for whole in every_row)
        plain = replace(pairs, amounts=amounts, spread=spread, same_water=False)

        for found, wanted in zip(agreement(received, pairs), agreement(received, plain), strict=True):
            np.testing.assert_array_equal(found, wanted)
        weighed += pairs.sample.size
    assert weighed > 2000


@pytest.mark.common_practice
def test_every_mistake_has_a_prior_and_words_and_its_variants_share_the_prior() -> None:
    known = priors()
    words = set(table("explain_words")["mistake"])
    sums: dict[tuple[str, str, str, int], float] = {}
    for one, prior in zip(catalogue(), np.exp(known.log_prior), strict=True):
        assert {part.mistake for part in one.parts or (one,)} <= words | set(UNNAMED_ALIKE)
        key = (one.mistake, one.analyte, one.detail if one.mistake == "missing-ion" else "", one.row)
        sums[key] = sums.get(key, 0.0) + float(prior)

    figures = table("mistake_priors")["prior"].astype(float)
    assert max(sums.values()) <= figures.max()
    assert sums["wrong-unit", "conductivity", "", ROW["conductivity"]] == pytest.approx(0.012)


@pytest.mark.common_practice
def test_the_softeners_exhaustion_and_a_working_pair(waters: Builder, explained: Explainer) -> None:
    """Behind an exhausted decarboniser the water is as before it; behind a working one hardness = alkalinity lost."""
    place = {"client": "c", "site": ["s", "s", "t", "t"], "stage": ["raw", "treated"] * 2, "treatment": "decarboniser"}
    found = explained(
        waters(
            **place,
            th=[250.0, 245.0, 250.0, 125.0],
            alk=[196.0, 193.0, 196.0, 71.0],
            ec=[533.0, 528.0, 533.0, 335.0],
            ph=[7.4, 7.3, 7.4, 6.6],
        )
    )

    assert [mistake for mistake, _ in tops(found)] == ["exhausted-media", "exhausted-media", "no-mistake", "no-mistake"]


@pytest.mark.common_practice
def test_a_source_that_changed_is_not_a_mistake(waters: Builder, explained: Explainer) -> None:
    found = explained(
        waters(
            client="c",
            site="s",
            stage="raw",
            sampling_point="tap",
            collected_at=[f"2025-0{month}-01" for month in range(1, 7)],
            th=[100.0, 104.0, 98.0, 102.0, 99.0, 260.0],
            alk=[80.0, 82.0, 79.0, 81.0, 80.0, 205.0],
            ec=[225.0, 230.0, 222.0, 228.0, 224.0, 560.0],
        )
    )

    last = found.explanations[found.explanations["sample_id"] == "5"]
    assert last["mistake"].iloc[0] == "source-change"
    assert "where 101 is usual" in last["evidence"].iloc[0]
    assert tops(found)[:5] == [("no-mistake", "")] * 5


@pytest.mark.common_practice
def test_the_relations_table_tells_before_and_after(waters: Builder, explained: Explainer) -> None:
    rows = explained(waters(**{**LAB, "hco3": 386.5, "ec": 700.0})).relations

    balance = rows[(rows["relation"] == "ion-balance") & (rows["rank"] == 1)].iloc[0]
    assert (balance["before"], balance["after"]) == pytest.approx((-9.33, -2.40), abs=0.01)
    assert abs(balance["score_after"]) < 2.0 < abs(balance["score_before"])
    assert balance["unit"] == "%"


@pytest.mark.source("IUPAC2021")
def test_what_was_computed_from_the_rest_is_no_second_witness(waters: Builder) -> None:
    """2.497 · 98 + 4.118 · 17 = 314.7 and 260 · 1.2193 = 317.0 to the last digit; 0.64 · 1744 = 1116.2."""
    own = waters(**LAB, hco3=317.0, th=314.7, alk=260.0, ec=1744.0, tds=1116.2)
    measured = waters(**LAB, hco3=321.0, th=318.0, alk=260.0, ec=1744.0, tds=1090.0)
    meter = waters(**LAB, ec=1744.0, tds=1020.0, **{"tds_mg_l.method": "meter"})
    rows = [ROW[name] for name in ("total_hardness", "bicarbonate", "tds")]

    assert np.isnan(record_of(own).amounts[rows]).all()
    assert not np.isnan(record_of(measured).amounts[rows]).any()
    assert np.isnan(record_of(meter).amounts[ROW["tds"]]).all()


@pytest.mark.source("APHA2340B")
def test_hardness_a_source_computes_is_exchanged_only_where_that_restores_the_sum(
    waters: Callable[..., SampleTable], weighed: Callable[..., Weighed]
) -> None:
    """2.497 · 62 + 4.118 · 14 = 212.5: an alkalinity of 208.1 is no such sum."""
    calcium = np.array([62.0, 62.0, *range(50, 90, 4)])
    hardness = 2.497 * calcium + 4.118 * 14.0
    alkalinity = hardness - 82.5
    hardness[:2], alkalinity[:2] = (127.4, 130.0), (208.1, 212.5)
    table = waters(
        th=hardness.tolist(), ca=calcium.tolist(), mg=14.0, na=22.0, k=2.0, alk=alkalinity.tolist(), cl=60.0, so4=45.0,
        no3=4.4, file_sha256="report",
    )  # fmt: skip

    found = weighed(table)

    def first(told: Explained) -> list[str]:
        rows = told.explanations[told.explanations["rank"] == 1].set_index("sample_id")
        return list(rows["mistake"].reindex(table.about.index[:2]))

    assert [first(told) for told in found.each_alone()] == [["swapped-analytes"] * 2]
    assert first(found.tables()) == ["none-of-these", "swapped-analytes"]
