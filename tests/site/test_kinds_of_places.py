"""Kinds of places: a roastery, a hotel, a steam kitchen, two waters in turn, a used-up filling, an own machine."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from click.testing import CliRunner

from pipeline.assess.machines import known_machines, machines_with, recognise
from pipeline.cli import main
from pipeline.site.answer import answer_of
from pipeline.site.round import NEVER, UNTESTED, USED_UP, round_until
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.common_practice

TODAY = date(2026, 12, 1)
MACHINES = """\
[machines.Copperhead]
base = "lever"
metals = ["copper"]
boiler_litres = 11
"""
_CHLORINE = """\
Sample,Client,Site,Date,Stage,TH (mg/L CaCO3),Alkalinity (mg/L CaCO3),EC (uS/cm),pH,Free chlorine (mg/L)
G-1,Grand,GH,2026-11-05,raw,270,210,600,7.5,0.35
G-2,Grand,GH,2026-11-05,permeate,15,12,38,6.2,0.25
G-3,Grand,GH,2026-11-05,treated,66,52,160,6.8,0.28
"""
_HEAD = "Sample,Client,Site,Date,Stage,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (uS/cm),pH\n"
# Hard from November to March, soft from May to September, in three years; the same treated water on the last day.
_HARD, _SOFT = (2, 11), (5, 8)
_SEASONS = "".join(
    f"TS-{year}{month},Two,TS,{year}-{month:02d}-10,raw,{water},7.4\n"
    for year in (2024, 2025, 2026)
    for month in sorted((*_HARD, *_SOFT))
    for water in ["250,205,545" if month in _HARD else "108,82,246"]
)
FILES = {
    "sites.csv": """\
client,site,country,machine,treatment,litres per day,Abfluss,plumbed
Roast,RO,NL,espresso met twee boilers,omgekeerde osmose met remineralisatie,120,,
Hotel,HT,FR,deux chaudières,adoucisseur + osmoseur,150,,
Kitchen,KD,DE,Kombidämpfer,Entkarbonisierer,200,,
Lunch,RD,GB,heat exchanger,,70,,
Two,TS,CH,heat exchanger,,60,,
Coast,CO,ES,doble caldera,descalcificador,90,,
Own,OW,GB,Copperhead,none,35,ja,no
Grand,GH,GB,dual boiler,,90,,
Office,OF,DE,bean-to-cup,jug filter,10,,
Valve,VC,DE,dual boiler,,40,,
Coal,CA,DE,dual boiler,carbon,40,,
Train,TR,DE,heat exchanger,"Enthärter, Umkehrosmose, Remineralisierung",120,,
Kinds,KI,DE,heat exchanger,Entkarbonisierung,40,,
Bottle,BO,ES,,,6,no,no
""",
    "treatments.csv": """\
client,site,treatment,capacity,capacity unit,installed on,bypass percent
Lunch,RD,decarbonising cartridge,12000,°dH·L,2026-10-20,25
Two,TS,decarboniser,60000,°dH·L,2026-10-20,28
Grand,GH,carbon + reverse osmosis,,,2026-08-20,15
Valve,VC,decarboniser,14000,°dH·L,2026-10-25,25
""",
    "waters.csv": _HEAD
    + """\
R-1,Roast,RO,2026-11-05,raw,321,250,700,7.4
R-2,Roast,RO,2026-11-05,treated,80,55,172,7.3
H-1,Hotel,HT,2026-11-06,raw,380,300,820,7.3
H-2,Hotel,HT,2026-11-06,permeate,8,25,72,6.4
K-1,Kitchen,KD,2026-11-05,raw,303,232,610,7.4
K-2,Kitchen,KD,2026-11-05,treated,89,18,230,5.9
L-1,Lunch,RD,2026-11-05,raw,285,230,600,7.3
L-2,Lunch,RD,2026-11-05,treated,114,60,320,6.6
T-2,Two,TS,2026-11-10,treated,105,60,320,6.6
C-1,Coast,CO,2026-11-05,raw,340,210,1190,7.5
O-1,Own,OW,2026-11-05,raw,300,240,620,7.3
F-1,Office,OF,2026-11-05,raw,286,214,560,7.5
F-2,Office,OF,2026-11-05,treated,143,89,330,6.7
X-1,Coal,CA,2026-11-01,raw,268,214,560,7.4
X-2,Coal,CA,2026-11-01,treated,266,213,558,7.4
V-1,Valve,VC,2026-11-01,raw,300,240,640,7.4
V-2,Valve,VC,2026-11-01,treated,205,145,500,7.0
TR-1,Train,TR,2026-11-12,raw,328,264,717,7.4
TR-2,Train,TR,2026-11-12,treated,48,55,117,7.7
"""
    + _SEASONS,
    "chlorine.csv": _CHLORINE,
    "Probenarten.csv": """\
Kunde;Standort;Probe;Datum;Probenart;Entnahmestelle;pH;Gesamthärte °dH;Karbonathärte °dH;LF µS/cm
Kinds;KI;KI-1;10.11.2026;;Theke;7,5;15,5;12,0;605
Kinds;KI;KI-2;10.11.2026;behandelt;Theke;6,7;7,1;3,6;358
""",
    "bottles.csv": """\
Client,Site,Sample,Date,Stage,Ca (mg/L),Mg (mg/L),Na (mg/L),HCO3 (mg/L),Cl (mg/L),SO4 (mg/L)
Bottle,BO,Hard one,2026-11-12,bottled,75,20,9,290,12,30
Bottle,BO,Soft one,2026-11-12,bottled,8,2,6,30,5,6
""",
    "Flaschenetiketten.csv": """\
Kunde;Standort;Wasser;Ca (mg/l);Mg (mg/l);Na (mg/l);Hydrogencarbonat (mg/l);Chlorid (mg/l);Sulfat (mg/l)
Own;OW;Quelle Hell;12;3;4;48;5;6
""",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Import all places once."""
    place: Path = tmp_path_factory.mktemp("kinds")
    for name, text in FILES.items():
        (place / name).write_text(text, encoding="utf-8")
    (place / "machines.toml").write_text(MACHINES, encoding="utf-8")
    (place / "own.toml").write_text(f'machines = "{(place / "machines.toml").as_posix()}"\n', encoding="utf-8")
    words = ["intake", *map(str, sorted(place.glob("*.csv"))), "--settings", str(place / "own.toml")]
    done = CliRunner().invoke(main, [*words, "--out", str(place / "out")])
    assert "Copperhead" not in done.output, "a machine of one's own is known when registers are read"
    return place


@pytest.fixture(scope="module")
def store(folder: Path) -> Iterator[Store]:
    """Open their store."""
    with Store(folder / "out" / "kettlestone.duckdb", read_only=True) as opened:
        yield opened


def test_minerals_and_salts_behind_a_membrane_are_proved_together(store: Store) -> None:
    """A mineral cartridge may add magnesium salts as well as lime: conductivity then follows the hardness."""
    answer = answer_of(store, "RO", TODAY)

    assert answer.retest is not None
    assert answer.retest.verification is not None
    assert (answer.outcome, answer.retest.verification.outcome) == ("keep", "proved")


def test_a_membrane_behind_a_softener_is_kept_and_its_blend_taken_from_before_the_softener(store: Store) -> None:
    """Softened water brings back alkalinity and sodium, no hardness."""
    answer = answer_of(store, "HT", TODAY)

    assert (answer.outcome, answer.advice.treatment) == ("readjust", "softener + reverse osmosis")
    assert "site.readjust.before_softener" in {said.code for said in answer.advice.reasons}
    assert answer.retest is not None
    assert answer.retest.verification is not None
    assert answer.retest.verification.causes[0].name == "as set"


def test_a_steam_kitchen_is_not_judged_by_a_cup(store: Store) -> None:
    answer = answer_of(store, "KD", TODAY)

    assert answer.now is not None
    assert not answer.now.brews
    assert answer.outcome == "readjust"
    assert answer.advice.predicted["alkalinity_mg_l_caco3"].value == pytest.approx(45.0, abs=3.0)


def test_a_supply_of_two_waters_is_told_with_the_answer_for_both(store: Store) -> None:
    """In November the water is hard; in May the soft one comes, and its setting is another."""
    answer = answer_of(store, "TS", TODAY)
    said = {one.code: dict(one.values) for one in answer.advice.conditions}

    assert answer.advice.decision == "conditional"
    assert said["site.season.two"]["other_hardness"] == pytest.approx(108.0)
    assert 55.0 < float(str(said["site.season.answer_set"]["percent"])) < 75.0  # 54 to 60 of 82 mg/L


def test_a_filling_that_is_used_up_by_its_capacity_is_said(store: Store) -> None:
    """12000 °dH·L at (230 - 60) / 17.85 = 9.5 °dH and 70 L a day: 1260 L, with 15 % kept back 15 days."""
    answer = answer_of(store, "RD", TODAY)
    stops = {stop.name.site: stop for stop in round_until(store, date(2027, 12, 31), TODAY)}

    assert answer.retest is not None
    assert answer.retest.spent_on is not None
    assert date(2026, 11, 2) <= answer.retest.spent_on.date() <= date(2026, 11, 6)
    assert answer.retest.next_test.on is not None
    assert answer.retest.next_test.on.date() <= date(2026, 11, 6)
    assert answer.outcome == "keep"
    assert "site.keep.spent" in {said.code for said in answer.advice.reasons}
    assert stops["RD"].kind == USED_UP


def test_what_is_fitted_and_was_never_tested_is_on_the_round(store: Store) -> None:
    stops = {stop.name.site: stop for stop in round_until(store, TODAY, TODAY)}

    assert stops["CO"].kind == UNTESTED


def test_a_machine_of_ones_own_is_known_to_the_advice(store: Store, folder: Path) -> None:
    known = machines_with(folder / "machines.toml")

    answer = answer_of(store, "OW", TODAY, machines=known)

    assert (answer.site.machine.name, answer.site.machine.metals) == ("Copperhead", ("copper",))
    assert answer_of(store, "OW", TODAY).site.machine.name == "not known"


def test_chlorine_behind_a_train_names_its_carbon_and_leaves_the_setting(store: Store) -> None:
    """The membrane works and the blend is right; only the carbon lets 0.28 of 0.35 mg/L through."""
    answer = answer_of(store, "GH", TODAY)

    assert (answer.outcome, answer.advice.treatment) == ("change-medium", "carbon + reverse osmosis")
    assert [said.code for said in answer.verdict] == ["site.outcome.change-carbon"]
    assert answer.retest is not None
    assert answer.retest.verification is not None
    assert answer.retest.verification.causes[0].name == "exhausted carbon"


def test_raw_water_is_blended_into_what_a_mineral_cartridge_gives_as_it_was_measured(store: Store) -> None:
    """48 + x (328 - 48) lies at 50 or more from 0.7 %, and 55 + x (264 - 55) at 75 or less up to 9.5 % of raw water."""
    answer = answer_of(store, "TR", TODAY)

    assert answer.outcome == "readjust"
    assert 0.007 <= float(answer.advice.settings["bypass"]) <= 0.095
    codes = {said.code for said in answer.advice.reasons}
    assert {"site.readjust.measured", "site.readjust.before_softener"} <= codes


def test_a_sample_that_says_no_stage_is_the_raw_water_of_its_visit(store: Store) -> None:
    """A word such as "behandelt" under "Probenart" is a stage; the other bottle of the day is taken as of the tap."""
    answer = answer_of(store, "KI", TODAY)

    assert answer.site.treated is not None
    assert answer.site.treated.label == "KI-2"
    assert answer.retest is not None
    assert answer.retest.verification is not None
    assert answer.retest.verification.outcome == "proved"


def test_where_there_are_only_bottles_no_tap_is_named_or_asked_for(store: Store) -> None:
    answer = answer_of(store, "BO", TODAY)
    seconds = {str(dict(said.values).get("second")) for said in answer.advice.bottled}

    assert "Hard one" in seconds
    assert not any("bottled.tap" in second for second in seconds)
    assert NEVER not in {stop.kind for stop in round_until(store, date(2027, 12, 1), TODAY) if stop.name.site == "BO"}


def test_whoever_fills_a_jug_gets_a_recipe_in_litres(store: Store) -> None:
    """A jug is filled by hand: no valve with a bypass is advised where a jug is."""
    answer = answer_of(store, "OF", TODAY)

    assert answer.site.machine.connection == "reservoir"
    assert "bypass" not in answer.advice.settings


def test_a_filling_of_a_week_is_not_called_used_up(store: Store) -> None:
    """280 L of some 1,300 went through: a valve that lets 60 % past is likelier than 14,000 °dH·L gone in a week."""
    answer = answer_of(store, "VC", TODAY)

    assert answer.outcome == "readjust"
    assert answer.retest is not None
    assert answer.retest.verification is not None
    assert answer.retest.verification.causes[0].name == "moved valve"


def test_carbon_cannot_give_another_water_whether_it_works_or_not(store: Store) -> None:
    """Nobody read chlorine, so the pair proves nothing; the minerals of 268 and 214 mg/L stay too high all the same."""
    answer = answer_of(store, "CA", TODAY)

    assert answer.outcome == "replace"


def test_drain_and_mains_are_read_from_the_register_of_sites(store: Store) -> None:
    facts = answer_of(store, "OW", TODAY).site.facts

    assert facts.drain is True
    assert facts.machine.connection == "reservoir"


def test_labels_of_bottles_are_known_by_the_name_of_their_file(store: Store) -> None:
    """No column states a stage, and a label has no date: the water is one on sale, not that of the tap."""
    answer = answer_of(store, "OW", TODAY)

    assert answer.site.raw is not None
    assert answer.site.raw.label == "O-1"
    assert "Quelle Hell" in {dict(said.values).get("name") or dict(said.values).get("first") for said in
                             answer.advice.bottled}  # fmt: skip


def test_lists_name_what_the_register_of_sites_says(folder: Path) -> None:
    """The registers of treatments and machines may be empty where the sites say it."""
    place = ["--store", str(folder / "out" / "kettlestone.duckdb")]
    listed, shown = (CliRunner().invoke(main, [*words, *place]).output for words in
                     (["treatment", "list"], ["machine", "show", "HT"]))  # fmt: skip

    assert "adoucisseur + osmoseur" in listed
    assert "decarbonising cartridge" in listed
    assert "deux chaudières (as the register of sites says)" in shown


@pytest.mark.parametrize(
    ("text", "machine"),
    [
        ("two-boiler espresso", "dual boiler"),
        ("2-Kessel-Maschine", "dual boiler"),
        ("machine à deux chaudières", "dual boiler"),
        ("macchina espresso con due caldaie", "dual boiler"),
        ("cafetera con dos calderas", "dual boiler"),
        ("espresso met twee boilers", "dual boiler"),
        ("ボイラー2つの機械", "dual boiler"),
        ("one-boiler machine", "single boiler"),
        ("lever, two groups, one boiler", "lever"),
        ("forno misto a vapore", "combi steam"),
        ("two-group espresso machine", "not known"),
        ("dual boiler or heat exchanger", "not known"),
    ],
)
def test_words_that_describe_a_machine(text: str, machine: str) -> None:
    assert recognise(pd.Series([text]), known_machines())["machine"].item() == machine
