"""Sites of an ordinary week, from the files a person typed to the answer of `advise` and `retest`."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.common_practice

SITES = """\
client,site,country,supply,machine,treatment,litres per day,comment
Bar B,B-1,GB,mains,dual boiler stainless,reverse osmosis,80,drain ok
Home C,C-1,GB,mains,single boiler with tank,jug filter,2,
House A,A-1,DE,enthärtet,Zweikreiser mit Wassertank,Enthärter,4,Enthärtungsanlage im Keller
Bar I,I-1,DE,mains,heat exchanger,decarboniser,0,
Bar J,J-1,DE,mains,Zweikreiser 2-gruppig Festwasser,decarboniser,40,
Bar K,K-1,DE,mains,heat exchanger,decarboniser,40,
Cafe L,L-1,US,mains,batch brewer with aluminium boiler,none,30,
"""
TREATMENTS = """\
client,site,treatment,capacity,capacity unit,installed on,bypass percent,counter litres
Bar B,B-1,reverse osmosis,,,2026-03-02,15,
Bar I,I-1,decarboniser,0,°dH·L,2027-09-01,130,-5
Bar J,J-1,decarboniser,12000,°dH·L,2026-05-10,30,0
Bar K,K-1,decarboniser,60000,°dH·L,2026-05-01,20,
"""
SAMPLES = """\
Date,Client,Site,Sample,Stage,Hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity 25C (uS/cm),pH,Chloride (mg/L)
2026-03-05,Bar B,B-1,B-r1,raw,320,260,735,7.4,62
2026-03-05,Bar B,B-1,B-p1,permeate,10,12,24,5.9,
2026-05-04,Bar B,B-1,B-r2,raw,318,258,731,7.4,61
2026-05-04,Bar B,B-1,B-p2,permeate,12,14,33,5.9,
2026-07-06,Bar B,B-1,B-r3,raw,322,262,738,7.4,62
2026-07-06,Bar B,B-1,B-p3,permeate,20,22,55,6.0,
2026-09-07,Bar B,B-1,B-r4,raw,320,260,736,7.4,62
2026-09-07,Bar B,B-1,B-p4,permeate,38,36,92,6.2,
2026-11-02,Bar B,B-1,B-r5,raw,319,261,733,7.4,62
2026-11-02,Bar B,B-1,B-p5,permeate,58,52,140,6.4,
2026-11-05,Home C,C-1,C-raw,raw,303,250,640,7.4,
2026-11-05,Home C,C-1,C-jug,treated,161,107,400,6.6,
2026-11-10,House A,A-1,A-raw,raw,9,250,640,7.7,
2026-10-20,Bar I,I-1,I-r1,raw,321,250,660,7.3,
2026-10-20,Bar I,I-1,I-f1,treated,143,71,380,6.5,
2026-05-11,Bar J,J-1,J-r1,raw,303,250,642,7.4,
2026-05-11,Bar J,J-1,J-f1,treated,125,71,366,6.5,
2026-06-12,Bar J,J-1,J-f2,treated,161,107,418,6.6,
2026-05-02,Bar K,K-1,K-r1,raw,301,252,611,7.4,
2026-05-02,Bar K,K-1,K-t1,treated,100,50,255,6.5,
2026-06-02,Bar K,K-1,K-r2,raw,302,251,612,7.4,
2026-06-02,Bar K,K-1,K-t2,treated,101,51,257,6.5,
2026-07-02,Bar K,K-1,K-r3,raw,299,249,608,7.4,
2026-07-02,Bar K,K-1,K-t3,treated,99,50,254,6.5,
2026-08-03,Bar K,K-1,K-r4,raw,212,176,430,7.6,
2026-08-03,Bar K,K-1,K-t4,treated,71,36,204,6.5,
2026-09-02,Bar K,K-1,K-r5,raw,210,175,428,7.6,
2026-09-02,Bar K,K-1,K-t5,treated,70,35,203,6.5,
2026-10-02,Bar K,K-1,K-r6,raw,211,176,431,7.6,
2026-10-02,Bar K,K-1,K-t6,treated,72,36,205,6.5,
2026-11-13,Cafe L,L-1,L-raw,raw,120,95,310,8.8,18
2026-11-05,Cafe H,H-1,H-raw,raw,214,,,7.5,
"""


@pytest.fixture(scope="module")
def ask(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., tuple[str, int]]:
    """Import the week once, and give what a command on a site answers, with its exit code."""
    folder = tmp_path_factory.mktemp("week")
    for name, text in (("sites", SITES), ("treatments", TREATMENTS), ("samples", SAMPLES)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    CliRunner().invoke(main, ["intake", *map(str, sorted(folder.glob("*.csv"))), "--out", str(folder / "out")])

    def answer(*words: str) -> tuple[str, int]:
        found = CliRunner().invoke(main, [*words, "--store", str(folder / "out" / "kettlestone.duckdb")])
        assert found.exception is None or isinstance(found.exception, SystemExit)
        return found.stdout, found.exit_code

    return answer


def data(answer: tuple[str, int]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(answer[0])
    return found


def test_a_permeate_is_not_the_blend_it_is_mixed_into(ask: Callable[..., tuple[str, int]]) -> None:
    """140 of 733 µS/cm are 19 % behind a membrane; 15 % of raw water is blended in only after that point."""
    text, code = ask("retest", "B-1")

    assert code == 1
    assert "lets through more than it should" in text
    assert "the membrane lets through more than it did (99 %)" in text
    assert "19 % of the feed conductivity" in text
    assert "bypass" not in text


def test_advice_says_that_it_judged_a_permeate(ask: Callable[..., tuple[str, int]]) -> None:
    text, _ = ask("advise", "B-1")

    assert "This is about the permeate, sample B-p5" in text
    assert "Which machine it is" not in text  # "dual boiler stainless" says it


def test_a_jug_is_known_and_what_stands_in_for_it_does_not_hang_on_chloride(
    ask: Callable[..., tuple[str, int]],
) -> None:
    """Whatever the chloride is, a machine filled by hand gets a blend: the advice depends on nothing."""
    advice = data(ask("advise", "C-1", "--json"))
    retest, _ = ask("retest", "C-1")

    assert (advice["decision"], advice["treatment"], advice["machine"]) == ("decided", "blend", "single boiler")
    assert not advice["conditions"]
    assert "of the water that is added" in " ".join(advice["reasons"])
    assert "filter jug" in retest


def test_a_softened_house_without_another_tap_is_told_what_else_there_is(ask: Callable[..., tuple[str, int]]) -> None:
    """250 of alkalinity over 9 of hardness: weak-acid resin finds next to nothing to exchange."""
    advice = data(ask("advise", "A-1", "--json"))

    assert (advice["row"], advice["treatment"], advice["machine"]) == ("3", "unsoftened tap", "heat exchanger")
    assert "Ask which tap fills the machine." in " ".join(advice["reasons"])


def test_a_register_that_cannot_be_is_named_and_breaks_nothing(ask: Callable[..., tuple[str, int]]) -> None:
    """Capacity 0, bypass 130 %, counter -5, fitted next year, 0 litres a day; the pair proves it at 71 / 250."""
    text, _ = ask("advise", "I-1")
    _, code = ask("retest", "I-1")

    for told in ('"0" as the capacity', '"130" as the bypass', '"-5" as the reading', "lies ahead"):
        assert told in text
    assert code == 0


def test_a_later_reading_without_raw_water_is_not_passed_over(ask: Callable[..., tuple[str, int]]) -> None:
    """71 on the day of the pair, 107 a month later: more than both readings can be off."""
    text, code = ask("retest", "J-1")

    assert code == 1
    assert "J-f2 was measured after the treatment later (12 June 2026), without raw water of that day" in text
    assert "alkalinity 107 mg/L, 71 on the day of the pair" in text
    assert "test raw and treated water together now" in text


def test_a_new_supply_is_told_apart_from_a_fault(ask: Callable[..., tuple[str, int]]) -> None:
    """Raw water falls by 30 % in hardness, alkalinity and conductivity; 20 % of it come through before and after."""
    text, _ = ask("advise", "K-1")

    assert "The supply changed, not the treatment" in text
    assert "2.2: little buffer against acid condensate" in text  # 36 of at least 40 mg/L, 2.24 °dH


def test_a_metal_the_record_names_is_minded(ask: Callable[..., tuple[str, int]]) -> None:
    """Aluminium dislikes a pH above 8.5 and most descalers; the tap has 8.8."""
    advice = data(ask("advise", "L-1", "--json"))

    assert (advice["machine"], advice["treatment"]) == ("brewer", "decarboniser")
    assert any("aluminium" in caution for caution in advice["cautions"])
    assert "espresso" not in ask("advise", "L-1")[0].partition("Decided")[0]  # a brewer pulls no shots


def test_a_missing_alkalinity_is_asked_for_beside_what_is_known(ask: Callable[..., tuple[str, int]]) -> None:
    """214 mg/L of hardness are above 175 whatever the alkalinity is."""
    text, code = ask("advise", "H-1")

    assert code == 1
    assert "this water does not suit coffee" in text
    assert "Measure, in raw water that has run for two minutes: Alkalinity." in text
    assert "Hardness." not in text


@pytest.mark.parametrize(
    ("scenario", "site", "told"),
    [
        ("P2", "P2 floor 3", ["set to 54.5 %"]),  # 60 / 110
        ("P3", "P3", ["If the two bottles were exchanged", "set to 20.6 %"]),  # 53.5 / 260
        ("P5", "P5 Bar", ["set to 20.6 %"]),  # 3 °dH / 14.58 °dH
    ],
)
def test_a_record_on_hold_shows_the_setting_it_would_lead_to(
    scenario_store: Callable[[str], Path], scenario: str, site: str, told: list[str]
) -> None:
    found = CliRunner().invoke(main, ["advise", site, "--store", str(scenario_store(scenario))])

    assert found.exit_code == 1
    assert found.stdout.index("Cannot advise") < found.stdout.index(told[0])
    assert all(part in found.stdout for part in told)


def test_what_is_held_beside_hardness_and_alkalinity_does_not_stop_the_advice(
    scenario_store: Callable[[str], Path],
) -> None:
    """With the conductivity corrected to 412 µS/cm, only the 412 mg/L of dissolved solids are still in question."""
    store = ["--store", str(scenario_store("P2"))]
    CliRunner().invoke(main, ["decide", "1", "correct", "--by", "A", "--why", "exchanged", "--value", "412",
                              "--unit", "µS/cm", "--analyte", "conductivity", *store])  # fmt: skip

    found = CliRunner().invoke(main, ["advise", "P2 floor 3", *store])

    assert "On a condition: Decarboniser" in found.stdout
    assert "Hardness and alkalinity are not in question" in found.stdout
    assert "would be a guess" not in found.stdout


def test_the_one_treatment_of_a_site_need_not_be_named_to_change_its_setting(
    ask: Callable[..., tuple[str, int]],
) -> None:
    changed, code = ask("treatment", "set", "K-1", "--bypass-percent", "30", "--by", "A", "--why", "new supply")

    assert code == 0
    assert "bypass percent 20 → 30" in changed
