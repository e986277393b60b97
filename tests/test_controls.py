"""Control rows go through the main job into the store, and nowhere among the waters."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

# Invented. The control rows are none of a water: a duplicate repeats its sample to the digit, a spike fits nothing.
BENCH = """Date,Client,Site,Sample,Sampling point,Sample type,pH,Conductivity (µS/cm),Total hardness (mg/L CaCO3),\
Alkalinity (mg/L CaCO3)
2025-09-17,Own,Bench,Lab blank 3,,,5.7,1.1,0.2,0.4
2025-09-17,Own,Bench,X1,Blindwert,,5.7,1.1,0.2,0.4
2025-09-17,Own,Bench,CHK-100,,check standard lot 7,,,100.4,
2025-09-17,Own,Bench,KCl 1413,,,,1409,,
2025-09-17,Acme,Cafe,S1,Küche,routine,7.6,483,212,191
2025-09-17,Acme,Cafe,S1 dup,Küche,,7.6,483,212,191
2025-09-17,Acme,Cafe,S1 matrix spike,Küche,,7.6,983,512,191
2025-09-18,Acme,Mont Blanc,S2,Küche,,7.5,310,128,101
"""
CONTROLS = {"Lab blank 3", "X1", "CHK-100", "KCl 1413", "S1 dup", "S1 matrix spike"}


@pytest.fixture(scope="module")
def bench(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    def fill(folder: Path) -> None:
        (folder / "bench.csv").write_text(BENCH, "utf-8")
        taken = ["intake", str(folder / "bench.csv"), "--out", str(folder / "out"), "--store", str(folder / "s.duckdb")]
        (folder / "terminal.txt").write_text(CliRunner().invoke(main, taken).output, "utf-8")

    return made_once("control rows", fill)


@pytest.fixture(scope="module")
def summary(bench: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(next((bench / "out").glob("2*/summary.json")).read_text("utf-8"))
    return loaded


def asked(bench: Path, sql: str) -> list[tuple[Any, ...]]:
    with Store(bench / "s.duckdb", read_only=True) as store:
        return list(store.connection.execute(sql).fetchall())


def test_they_are_kept_with_their_kind_and_without_a_verdict(bench: Path) -> None:
    kinds = dict(asked(bench, "SELECT label, activity FROM v_sample WHERE activity NOT IN ('', 'routine')"))

    assert set(kinds) == CONTROLS
    assert [kinds[label] for label in ("X1", "CHK-100", "S1 dup", "S1 matrix spike")] == [
        "blank", "standard", "duplicate", "spike"
    ]  # fmt: skip
    assert asked(
        bench, "SELECT DISTINCT verdict, current_verdict FROM v_sample WHERE activity NOT IN ('', 'routine')"
    ) == [("unjudged", "unjudged")]
    assert asked(bench, "SELECT count(*) FROM reading") == [(26,)]  # 4 + 4 + 1 + 1 + 4 · 4


def test_nothing_is_found_explained_or_assessed_of_them(bench: Path) -> None:
    for table in ("finding", "explanation", "assessment"):
        about = asked(bench, f"SELECT label FROM {table} JOIN sample USING (sample_id)")  # noqa: S608 - names of this test

        assert not CONTROLS & {label for (label,) in about}, table
    for view in ("v_latest", "v_trend"):
        samples = asked(bench, f"SELECT DISTINCT s.label FROM {view} JOIN sample AS s USING (sample_id)")  # noqa: S608 - names of this test

        assert {label for (label,) in samples} == {"S1", "S2"}


def test_the_summary_counts_them_apart(bench: Path, summary: dict[str, Any]) -> None:
    assert summary["samples"]["total"] == 2
    assert summary["controls"] == {"total": 6, "duplicate": 1, "blank": 2, "standard": 2, "spike": 1}
    told = " ".join((bench / "terminal.txt").read_text("utf-8").split())
    assert "1 duplicate, 2 blanks, 2 standards and 1 spike: kept for laboratory control" in told
    assert {(one["problem"], one["count"]) for one in summary["notices"]} >= {("control-derived", 2)}


def test_a_bench_of_controls_is_no_site_and_a_control_has_no_cause(bench: Path) -> None:
    store = ["--store", str(bench / "s.duckdb")]

    advised = CliRunner().invoke(main, ["advise", "Bench", *store])
    explained = CliRunner().invoke(main, ["explain", "KCl 1413", *store])

    assert advised.exit_code == 2
    assert 'no site, client or sample of the store is called "Bench"' in advised.output
    assert explained.exit_code == 2
    assert "a control of the laboratory (standard)" in explained.output
