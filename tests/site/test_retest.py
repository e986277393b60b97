"""`retest`, `site`, `machine` and `treatment` from files to sentences."""

from __future__ import annotations

import json
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.intake import run
from pipeline.report.terminal.retest import retest
from pipeline.settings import load_settings

if TYPE_CHECKING:
    from pathlib import Path

# One decarboniser, 14 °dH of alkalinity raw, that is used up from about 1000 L on; one softener; one without a pair.
SAMPLES = """\
sample,client,site,stage,date,counter litres,total hardness [mg/L as CaCO3],alkalinity [mg/L as CaCO3],EC [µS/cm],pH
A1,Client A,S-1,raw,2025-02-03,,321.3,249.9,640,7.4
A2,Client A,S-1,treated,2025-02-03,0,142.8,71.4,350,6.6
A3,Client A,S-1,treated,2025-02-12,400,142.8,71.4,350,6.6
A4,Client A,S-1,treated,2025-02-21,800,146.4,75.0,356,6.6
A5,Client A,S-1,treated,2025-03-02,1200,158.8,87.5,378,6.7
A6,Client A,S-1,raw,2025-03-08,,321.3,249.9,640,7.4
A7,Client A,S-1,treated,2025-03-08,1500,180.3,108.9,414,6.8
B1,Client B,S-2,raw,2025-03-08,,392.5,267.4,782,7.3
B2,Client B,S-2,treated,2025-03-08,,89.2,267.4,760,7.3
C1,Client C,S-3,treated,2025-03-08,,89.2,267.4,760,7.3
D1,Client D,S-4,raw,2025-03-08,,392.5,267.4,782,7.3
E1,Client E,S-5,raw,2025-03-08,,392.5,267.4,782,7.3
E2,Client E,S-5,treated,2025-03-08,,89.2,267.4,760,7.3
"""
TREATMENTS = """\
client,site,treatment,capacity,capacity unit,installed on,bypass percent,counter litres,litres per day
Client A,S-1,decarboniser,14000,°dH·L,2025-02-03,28.6,,45
Client B,S-2,softener,20000,°dH·L,2025-01-10,22.7,,90
Client C,S-3,softener,20000,°dH·L,2025-01-10,22.7,,90
"""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("retest")
    (folder / "samples.csv").write_text(SAMPLES, encoding="utf-8")
    (folder / "treatments.csv").write_text(TREATMENTS, encoding="utf-8")
    path = folder / "out" / "kettlestone.duckdb"
    run([folder / "samples.csv", folder / "treatments.csv"], load_settings(None, out=folder / "out", store=path))
    return path


def ask(store: Path, *words: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, [*words, "--store", str(store)])
    return result.exit_code, result.output


def data(store: Path, site: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(ask(store, "retest", site, "--json")[1])
    return found


@pytest.mark.common_practice
def test_a_filter_at_its_end_is_found_in_pair_and_history(store: Path) -> None:
    """28.6 % was set; 108.9 of 249.9 came through: 43.6 %; the line bends between 900 and 1200 L."""
    found = data(store, "S-1")

    assert found["proof"] in ("partly", "not proved")
    assert found["causes"][0]["cause"] == "exhausted media"
    assert found["bypass_by"]["alkalinity_mg_l_caco3"]["value"] == pytest.approx(108.9 / 249.9, abs=0.002)
    assert found["history"]["course"] == "exhausted"
    assert 850 <= found["history"]["exhausted_on"]["litres"]["value"] <= 1200
    assert found["history"]["removed_eq"] * 2804 == pytest.approx(14290, rel=0.01)
    assert found["next_test"]["on"] == "2025-03-22"
    assert found["next_test"]["overdue_days"] >= (date(2026, 11, 25) - date(2025, 3, 22)).days


def test_a_test_that_lies_ahead_is_not_overdue(store: Path) -> None:
    settings = load_settings(None, store=store)

    assert "overdue" not in retest(settings, "S-1", date(2025, 3, 22), as_json=False).text
    assert "That was yesterday; the test is overdue." in retest(settings, "S-1", date(2025, 3, 23), as_json=False).text


@pytest.mark.common_practice
def test_pair_and_history_give_one_answer_with_written_days(store: Path) -> None:
    """The pair alone cannot tell a worn medium from an opened valve; the line that creeps can."""
    _, text = ask(store, "retest", "S-1")

    first = next(line for line in text.splitlines() if "Most likely" in line)
    assert first == "Most likely: the medium is used up (99 %)."
    assert text.count("What would explain it") == 1
    assert "A6 (8 March 2025)" in text
    assert "by 22 March 2025" in text
    assert "2025-0" not in text


@pytest.mark.common_practice
def test_an_impossible_setting_of_a_register_is_left_out(tmp_path: Path) -> None:
    """130 % of raw water cannot be; the bypass then counts as not recorded."""
    (tmp_path / "samples.csv").write_text(SAMPLES, encoding="utf-8")
    (tmp_path / "treatments.csv").write_text(TREATMENTS.replace(",28.6,", ",130,"), encoding="utf-8")
    path = tmp_path / "out" / "kettlestone.duckdb"
    done = run(
        [tmp_path / "samples.csv", tmp_path / "treatments.csv"], load_settings(None, out=tmp_path / "out", store=path)
    )

    code, text = ask(path, "retest", "S-1", "--json")
    assert (code, json.loads(text)["settings"]) == (1, {})
    assert any("130" in notice["message"] for notice in done.summary["notices"])


def test_a_softener_that_does_its_work_is_proved_and_leaves_with_zero(store: Path) -> None:
    code, text = ask(store, "retest", "Client B / S-2")

    assert code == 0
    assert "Proved" in text
    assert "total hardness" in text
    assert data(store, "S-2")["settings"] == {"bypass": pytest.approx(0.227)}


def test_the_answer_speaks_german_with_decimal_commas(store: Path) -> None:
    _, text = ask(store, "retest", "S-1", "--language", "de")

    assert "Gesamthärte" in text
    assert "Nächste" in text or "erneut prüfen" in text


def test_a_site_without_raw_water_cannot_be_told(store: Path) -> None:
    code, text = ask(store, "retest", "S-3")

    assert code == 1
    assert "No raw sample of the same visit" in text
    assert data(store, "S-3")["proof"] == "cannot tell"


@pytest.mark.parametrize(
    ("site", "words"),
    [("S-4", "no sample from behind a treatment"), ("S-9", "S-9")],
)
def test_what_cannot_be_verified_says_what_is_missing(store: Path, site: str, words: str) -> None:
    code, text = ask(store, "retest", site)

    assert code == 2
    assert words in text


@pytest.mark.common_practice
def test_where_nobody_says_what_is_fitted_the_pair_tells_what_it_works_like(store: Path) -> None:
    """Hardness falls from 392.5 to 89.2, alkalinity stays, conductivity by 3 %: sodium for calcium."""
    code, text = ask(store, "retest", "S-5")

    assert code == 1
    assert "The register does not say what is fitted." in text
    assert "Most likely: what is fitted works like this: sodium softener" in text
    assert "Proved" not in text
    assert "wirkt wie" in ask(store, "retest", "S-5", "--language", "de")[1]


def test_a_register_is_listed_shown_and_added_to(store: Path) -> None:
    before = ask(store, "treatment", "list")[1]
    code, text = ask(store, "treatment", "set", "S-2", "--treatment", "softener", "--bypass-percent", "30",
                     "--by", "A. Smith", "--why", "valve turned", "--fact", "serial=17")  # fmt: skip
    shown = ask(store, "treatment", "show", "s-2")[1]
    both = json.loads(ask(store, "treatment", "show", "S-2", "--json")[1])

    assert "S-2" in before
    assert (code, "bypass percent 22.7 → 30" in text) == (0, True)
    assert "A. Smith (valve turned)" in shown
    assert "treatments.csv:3" in shown
    assert [row["bypass_percent"] for row in both["history"]] == ["22.7", "30"]
    assert both["in_force"][0]["serial"] == "17"
    assert json.loads(ask(store, "treatment", "list", "--json")[1])[1]["bypass_percent"] == "30"


def test_an_empty_register_and_an_unknown_site_are_said(store: Path) -> None:
    assert "is empty" in ask(store, "machine", "list")[1]
    code, text = ask(store, "site", "show", "nowhere")
    assert (code, "no site is registered" in text) == (2, True)


def test_a_fact_without_a_name_is_refused(store: Path) -> None:
    code, text = ask(store, "site", "set", "S-1", "--by", "A", "--why", "b", "--fact", "serial")

    assert code == 2
    assert "NAME=VALUE" in text


@pytest.mark.common_practice
def test_the_next_test_is_not_after_the_end_of_the_filling(tmp_path: Path) -> None:
    """12 000 °dH·L / 9.02 °dH taken out = 1330 L, at 100 L a day 13.3 days; 80 % of them after 1 March: 12 March."""
    (tmp_path / "samples.csv").write_text(
        "sample,client,site,stage,date,total hardness [mg/L as CaCO3],alkalinity [mg/L as CaCO3],EC [µS/cm],pH\n"
        "R,A,S,raw,2025-03-03,268,250,560,7.4\nT,A,S,treated,2025-03-03,107,89,265,6.6\n"
    )
    (tmp_path / "treatments.csv").write_text(
        "client,site,treatment,capacity,capacity unit,installed on,bypass percent,litres per day\n"
        "A,S,decarboniser,12000,°dH·L,2025-03-01,36,100\n"
    )
    path = tmp_path / "out" / "kettlestone.duckdb"
    run([tmp_path / "samples.csv", tmp_path / "treatments.csv"], load_settings(None, out=tmp_path / "out", store=path))

    assert data(path, "S")["next_test"]["on"] == "2025-03-12"
