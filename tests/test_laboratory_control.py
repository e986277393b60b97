"""Controls judge the waters that stand on them: known numbers, and a bench that is held, repaired and released."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.checks.control_cases import ControlLimits
from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check
from pipeline.cli import main
from pipeline.intake import run
from pipeline.normalise.sample_table import samples_from_wide
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from pathlib import Path

import pandas as pd

# Invented. The standard of 100 reads 84: every hardness of the day is too low by the same share; chloride is not.
BENCH = """Date,Client,Site,Sample,Sample type,Conductivity (µS/cm),Total hardness (mg/L CaCO3),\
Alkalinity (mg/L CaCO3),Chloride (mg/L)
2025-09-17,Own,Bench,Lab blank 3,blank,1.1,0.2,0.4,0.3
2025-09-17,Own,Bench,CHK-100,check standard,,84,,
2025-09-17,Own,Bench,KCl 1413,standard,1409,,,
2025-09-17,Acme,Cafe,S1,routine,483,190,160,24
2025-09-17,Acme,Cafe,S1 dup,duplicate,483,191,161,24
2025-09-17,Acme,Bar,S2,routine,310,118,98,12
2025-09-18,Acme,Inn,S3,routine,322,124,103,11
"""


def observed(check_id: str, **columns: list[Any]) -> list[float]:
    """Run a check over a small table and give what it observed of the samples it flags, each number once."""
    frame = pd.DataFrame({**columns, "sample_id": [str(n) for n in range(len(columns["label"]))]})
    tight = ControlLimits(standard_percent=(100, 100), spike_percent=(101, 101), slope_percent=(101, 101))
    raised, _ = run_check(
        CHECKS[check_id], samples_from_wide(frame.assign(comment="", file_sha256="f")), Limits((tight,))
    )
    return sorted(set(raised["observed"].round(3)))


@pytest.mark.source("APHA1020")
def test_recovery_and_relative_difference_are_the_published_formulas() -> None:
    """(148 - 98)/50 = 100 %, a standard of 100 that reads 97 recovers 97 %, and 100 against 130 differ by 26.087 %."""
    spiked = {"label": ["W", "W spike 50"], "activity": ["routine", "spike"], "chloride_mg_l": [98.0, 148.0]}
    standard = {"label": ["CHK-100"], "activity": ["standard"], "total_hardness_mg_l_caco3": [97.0]}
    twice = {"label": ["W", "W dup"], "activity": ["routine", "duplicate"], "chloride_mg_l": [100.0, 130.0]}

    assert observed("spike-recovery", **spiked) == [100.0]
    assert observed("check-standard", **standard) == [97.0]
    assert observed("duplicate-spread", **twice) == [26.087]


@pytest.mark.source("KCL001")
def test_the_standard_of_1413_shows_1278_at_20_degrees_without_compensation() -> None:
    frame = pd.DataFrame({
        "sample_id": ["1", "2"], "label": ["KCl 1413", "KCl 1413"], "activity": ["standard", "standard"],
        "conductivity_us_cm_25c": [1278.0, 1300.0], "temperature_c": [20.0, 20.0], "comment": ["", ""],
    })  # fmt: skip

    raised, _ = run_check(CHECKS["meter-standard"], samples_from_wide(frame), Limits())

    told = dict(zip(raised["sample_id"], raised["message"], strict=True))
    assert "does not compensate to 25 °C" in told["1"]
    assert "A factor of 1.087 would bring it there" in told["2"]  # 1413 / 1300


@pytest.fixture
def bench(tmp_path: Path) -> Settings:
    (tmp_path / "bench.csv").write_text(BENCH, encoding="utf-8")
    settings = Settings(out=tmp_path / "out", store=tmp_path / "s.duckdb")
    summary = run([tmp_path / "bench.csv"], settings).summary
    told = [one["check_id"] for one in summary["source_findings"] if one["severity"] == "hold"]
    assert told == ["check-standard"]
    return settings


def verdicts(settings: Settings) -> dict[str, str]:
    with Store(settings.store, read_only=True) as store:
        sql = "SELECT label, current_verdict FROM v_sample WHERE label IN ('S1', 'S2', 'S3')"
        return dict(store.connection.execute(sql).fetchall())


def decide(settings: Settings, *words: str) -> dict[str, Any]:
    with Store(settings.store, read_only=True) as store:
        [(number,)] = store.connection.execute(
            "SELECT min(finding_id) FROM v_finding WHERE label = 'CHK-100' AND check_id = 'check-standard'"
        ).fetchall()
    said = ["--by", "A. Smith", "--why", "titrant standardised", "--store", str(settings.store), "--json"]
    result = CliRunner().invoke(main, ["decide", str(number), *words, *said])
    assert result.exit_code == 0, result.stderr
    loaded: dict[str, Any] = json.loads(result.stdout)
    return loaded


def test_a_failed_standard_holds_its_day_and_one_answer_repairs_voids_or_releases_it(bench: Settings) -> None:
    assert verdicts(bench) == {"S1": "hold", "S2": "hold", "S3": "ok"}

    decide(bench, "correct", "--factor", "1.1905")
    with Store(bench.store, read_only=True) as store:
        [(hard,)] = store.connection.execute(
            "SELECT total_hardness_mg_l_caco3 FROM v_sample WHERE label = 'S2'"
        ).fetchall()
    assert hard == pytest.approx(118 * 1.1905)
    assert set(verdicts(bench).values()) <= {"ok", "note"}
    decide(bench, "reopen")
    assert verdicts(bench) == {"S1": "hold", "S2": "hold", "S3": "ok"}
    decide(bench, "reject")
    assert verdicts(bench) == {"S1": "reject", "S2": "reject", "S3": "ok"}
    decide(bench, "accept")
    assert verdicts(bench) == {"S1": "note", "S2": "note", "S3": "ok"}
