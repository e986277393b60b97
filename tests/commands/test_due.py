"""`due`: every site that has to be visited by a day, with the reason."""

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
A,Untested,DE,brewer,none,20
B,Tap,DE,brewer,none,20
C,Resin,DE,dual boiler,decarboniser,40
D,Wait,DE,brewer,none,20
"""
WATERS = """\
Sample,Client,Site,Date,Stage,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)
B-1,B,Tap,2025-03-02,raw,7.4,110,90,240
C-1,C,Resin,2026-03-02,raw,7.4,250,220,520
C-2,C,Resin,2026-03-02,treated,6.6,85,55,230
D-1,D,Wait,2026-11-02,raw,7.4,298,128,131
"""
TREATMENTS = "client,site,treatment,installed on,bypass percent\nC,Resin,decarboniser,2026-02-20,25\n"


@pytest.fixture(scope="module")
def due(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., tuple[dict[str, dict[str, Any]], int]]:
    """Import four sites, ask for a repeat at one of them, and give the round by site."""
    folder: Path = tmp_path_factory.mktemp("due")
    for name, text in (("sites", SITES), ("treatments", TREATMENTS), ("waters", WATERS)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    store = ["--store", str(folder / "out" / "kettlestone.duckdb")]
    CliRunner().invoke(main, ["intake", *map(str, sorted(folder.glob("*.csv"))), "--out", str(folder / "out")])
    waiting = json.loads(CliRunner().invoke(main, ["findings", "D-1", "--json", *store]).stdout)
    number = str(waiting[0]["finding_id"])
    CliRunner().invoke(main, ["decide", number, "repeat", "--by", "A. Smith", "--why", "looks wrong", *store])

    def ask(*words: str) -> tuple[dict[str, dict[str, Any]], int]:
        done = CliRunner().invoke(main, ["due", "--json", *words, *store])
        return {row["site"]: row for row in json.loads(done.stdout)} if done.exit_code < 2 else {}, done.exit_code

    return ask


def test_every_reason_for_a_visit_is_named(due: Callable[..., tuple[dict[str, dict[str, Any]], int]]) -> None:
    found, code = due("--until", "2100-01-01")

    assert code == 1
    assert {site: row["reason"] for site, row in found.items()} == {
        "Untested": "never tested raw", "Tap": "yearly", "Resin": "next test", "Wait": "repeat wanted",
    }  # fmt: skip
    assert found["Tap"]["on"] == "2026-03-02"  # a year after the last test
    assert found["Resin"]["on"] == "2026-03-30"  # four weeks after a resin was put in
    assert "Sample D-1 is to be repeated" in found["Wait"]["why"]


def test_a_round_ends_on_its_day(due: Callable[..., tuple[dict[str, dict[str, Any]], int]]) -> None:
    assert set(due("--until", "2026-03-10")[0]) == {"Tap"}
    assert due("--until", "soon")[1] == 2
