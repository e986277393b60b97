"""What an advice rests on: a raw sample that is doubtful, old or of another water is not its base in silence."""

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
client,site,country,machine,treatment,litres per day
A,Doubt,DE,dual boiler,none,20
B,Old,DE,dual boiler,decarboniser,20
C,Other,DE,dual boiler,none,20
D,Worn,DE,dual boiler,softener,20
E,Set,DE,heat exchanger,reverse osmosis,60
"""
WATERS = """\
Sample,Client,Site,Date,Stage,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm),Comment
A-1,A,Doubt,2026-11-20,raw,7.4,268,214,560,nicht gespült
B-1,B,Old,2026-07-01,raw,7.4,268,214,560,
B-2,B,Old,2026-11-20,treated,6.6,190,137,420,
C-1,C,Other,2026-02-01,raw,7.4,210,170,430,
C-2,C,Other,2026-04-01,raw,7.4,214,172,436,
C-3,C,Other,2026-06-01,raw,7.4,208,169,428,
C-4,C,Other,2026-11-01,raw,7.4,330,268,690,
D-1,D,Worn,2026-11-20,raw,7.4,321,250,700,
D-2,D,Worn,2026-11-20,treated,7.4,300,250,700,
E-1,E,Set,2026-11-20,raw,7.4,321,250,700,
E-2,E,Set,2026-11-20,treated,6.4,20,16,45,
"""


@pytest.fixture(scope="module")
def advice(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], dict[str, Any]]:
    """Import all sites once, and give what `advise` answers as data."""
    folder: Path = tmp_path_factory.mktemp("basis")
    for name, text in (("sites", SITES), ("waters", WATERS)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    CliRunner().invoke(main, ["intake", *map(str, sorted(folder.glob("*.csv"))), "--out", str(folder / "out")])

    def ask(site: str) -> dict[str, Any]:
        store = str(folder / "out" / "kettlestone.duckdb")
        found: dict[str, Any] = json.loads(
            CliRunner().invoke(main, ["advise", site, "--json", "--store", store]).stdout
        )
        return found

    return ask


@pytest.mark.parametrize(
    ("site", "said"),
    [
        ("Doubt", 'Sample A-1 has a note that doubts it ("nicht gespült")'),
        ("Old", "142 days apart they are no pair"),
        ("Other", "Sample C-4 is of another water than the samples before it"),
    ],
)
def test_a_doubtful_base_is_a_condition(advice: Callable[[str], dict[str, Any]], site: str, said: str) -> None:
    found = advice(site)

    assert found["decision"] != "decided"
    assert any(said in line for line in found["conditions"])


def test_a_softener_that_lets_the_hardness_through_is_repaired(advice: Callable[[str], dict[str, Any]]) -> None:
    """300 of 321 come through: it wants salt and its service, no other treatment and no cartridge."""
    assert advice("Worn")["outcome"] == "repair"


def test_a_membrane_that_works_is_set_to_the_water_that_is_wanted(advice: Callable[[str], dict[str, Any]]) -> None:
    """16 of alkalinity behind 5 % of 250: raw water has to be blended in, nothing else is to be bought."""
    found = advice("Set")

    assert (found["outcome"], found["treatment"]) == ("readjust", "reverse osmosis")
    assert 0.1 < found["settings"]["bypass"] < 0.3
    assert found["predicted"]["alkalinity_mg_l_caco3"]["value"] == pytest.approx(50.0, abs=10.0)
