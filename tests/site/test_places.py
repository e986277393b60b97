"""Places as they are: a train, one pen at a membrane, a bottle, a bean-to-cup machine, a valve's marks."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Ask = Callable[..., tuple[str, int]]

pytestmark = pytest.mark.common_practice

FILES = {
    "sites.csv": """\
client,site,country,machine,treatment,litres per day,plumbed
Train,T-1,DE,dual boiler,RO + mineral cartridge,60,
Soft,T-2,FR,dual boiler,adoucisseur puis osmoseur,60,
Home,Kitchen,DE,dual boiler with reservoir,,5,no
Office,F-2,DE,Kaffeevollautomat,,15,
Bar,B-1,DE,heat exchanger,decarboniser,40,
Filter,W-1,DE,dual boiler,Wasserfilter,40,
""",
    "treatments.csv": "client,site,treatment,installed on,bypass percent\nHosp,M-1,reverse osmosis,2026-01-20,22\n",
    "waters.csv": """\
Sample,Client,Site,Date,Stage,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)
R-1,Train,T-1,2026-11-20,raw,7.4,321,250,700
T-1,Train,T-1,2026-11-20,treated,7.5,62,50,118
R-2,Soft,T-2,2026-11-20,raw,7.4,321,250,700
T-2,Soft,T-2,2026-11-20,treated,6.1,2,14,40
H-1,Home,Kitchen,2026-10-12,bottled,7.4,212.5,195.2,417
O-1,Office,F-2,2026-11-20,raw,7.4,268,214,560
F-1,Filter,W-1,2026-11-20,raw,7.4,268,214,560
F-2,Filter,W-1,2026-11-20,treated,6.6,110,60,300
""",
    "kit.csv": """\
client,site,sample,date,stage,hardness drops,alkalinity drops,degree per drop,kit unit,nominal volume,volume used,pH
Bar,B-1,A-1,2026-08-25,raw,17,14,1,°dH,5,5,7.5
""",
    "pen.csv": """\
Sample ID,Client,Site,Stage,Date,Instrument,TDS (ppm)
M-F,Hosp,M-1,feed,2026-02-03,pen 7,320
M-P,Hosp,M-1,permeate,2026-02-03,pen 7,12
M-B,Hosp,M-1,machine inlet,2026-02-03,pen 7,80
""",
    "lab.csv": """\
Sample ID,Client,Site,Stage,Date,Total Hardness (mg/L as CaCO3),Total Alkalinity (mg/L as CaCO3)
M-F,Hosp,M-1,feed,2026-02-03,265,210
""",
}


@pytest.fixture(scope="module")
def ask(tmp_path_factory: pytest.TempPathFactory) -> Ask:
    """Import all places once, and give what a command answers, with its exit code."""
    folder: Path = tmp_path_factory.mktemp("places")
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    CliRunner().invoke(main, ["intake", *map(str, sorted(folder.glob("*.csv"))), "--out", str(folder / "out")])

    def run(*words: str) -> tuple[str, int]:
        done = CliRunner().invoke(main, [*words, "--store", str(folder / "out" / "kettlestone.duckdb")])
        return done.stdout, done.exit_code

    return run


def data(answer: tuple[str, int]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(answer[0])
    return found


@pytest.mark.parametrize(
    ("site", "treatment"),
    [
        ("T-1", "reverse osmosis + remineraliser"),
        ("T-2", "softener + reverse osmosis"),
    ],
)
def test_a_pair_behind_a_train_is_judged_by_the_train(ask: Ask, site: str, treatment: str) -> None:
    found = data(ask("retest", site, "--json"))

    assert found["treatment"] == treatment
    assert found["proof"] in ("proved", "partly")
    assert found["causes"][0]["cause"] == "as set"
    assert "exchanged" not in ask("advise", site)[0]


def test_a_train_whose_water_suits_is_kept(ask: Ask) -> None:
    """62 of hardness and 50 of alkalinity are inside 50–175 and 40–75."""
    found = data(ask("advise", "T-1", "--json"))

    assert (found["outcome"], found["treatment"]) == ("keep", "reverse osmosis + remineraliser")


def test_one_pen_tells_rejection_and_share_of_a_membrane(ask: Ask) -> None:
    """Rejection 1 - 12/320; share of raw water (80 - 12)/(320 - 12), not 80/320."""
    found = data(ask("retest", "M-1", "--json"))

    assert found["proof"] == "proved"
    assert found["rejection"]["value"] == pytest.approx(1 - 12 / 320)
    assert found["bypass"]["value"] == pytest.approx((80 - 12) / (320 - 12), abs=2e-3)
    assert "holds back 96.2 % of the salts" in ask("retest", "M-1")[0]


def test_a_machine_filled_from_bottles_gets_a_recipe_and_no_valve(ask: Ask) -> None:
    """40 to 75 of 195.2 leave 20.5 to 38.4 % of the bottle."""
    found = data(ask("advise", "Kitchen", "--json"))

    assert found["treatment"] == "blend"
    assert found["settings"]["with"] == "demineralised"
    assert 1 - 75 / 195.2 <= found["settings"]["share"] <= 1 - 40 / 195.2
    assert "bypass" not in found["settings"]
    assert any("L of H-1 and" in line and "demineralised water" in line for line in found["reasons"])


def test_a_fully_automatic_machine_is_known(ask: Ask) -> None:
    found = data(ask("advise", "F-2", "--json"))

    assert found["machine"] == "bean-to-cup"
    assert not any("machine it is" in line for line in found["unknown"])


def test_what_is_advised_lies_where_every_reading_agrees(ask: Ask) -> None:
    found = data(ask("advise", "B-1", "--json"))
    (window,) = found["window"]

    assert window["sure_low"] - 0.005 <= found["settings"]["bypass"] <= window["sure_high"] + 0.005
    assert round(100 * found["settings"]["bypass"], 6) % 5 == 0


def test_a_filter_of_no_kind_is_asked_about(ask: Ask) -> None:
    found = data(ask("advise", "W-1", "--json"))

    assert found["fitted"]["treatment"] == ""
    assert found["outcome"] == "ask-first"
    assert any('"Wasserfilter": which kind of filter is it?' in line for line in found["notices"])
