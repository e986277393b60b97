"""Only a sample in which readings could be compared is ok; one that was mostly not read is not judged."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from click.testing import CliRunner

from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS
from pipeline.checks.run import run_all
from pipeline.cli import main
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import samples_from_wide
from pipeline.store.database import Store
from schemas.columns import QARTOD_FLAGS, VERDICTS

if TYPE_CHECKING:
    from pathlib import Path

# Invented water: 4.0 mmol/L of charge on either side, so hardness, alkalinity and conductivity fit each other.
SOUND = {"total_hardness_mg_l_caco3": 200.0, "alkalinity_mg_l_caco3": 180.0, "conductivity_us_cm_25c": 400.0}

# What was not read goes to its own sample, A or B.
LAYOUTS = {
    "a row": (
        "Sample,Hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Zo,Za,Zu\n"
        "A a row,200,180,,,\nB a row,200,180,0.5,0.25,1.5\n"
    ),
    "a result": (
        "Sample,Parameter,Result,Unit\nA a result,Hardness as CaCO3,200,mg/L\nB a result,Hardness as CaCO3,200,mg/L\n"
        "A a result,Total alkalinity as CaCO3,180,mg/L\nB a result,Total alkalinity as CaCO3,180,mg/L\n"
        "B a result,Zorb,0.5,mg/L\nB a result,Zarb,0.5,mg/L\nB a result,Zurb,0.5,mg/L\n"
    ),
    "a column": (
        "Parameter,Unit,A a column,B a column\n"
        "Hardness as CaCO3,mg/L,200,200\nTotal alkalinity as CaCO3,mg/L,180,180\n"
        "Zorb,mg/L,,0.5\nZarb,mg/L,,0.5\nZurb,mg/L,,0.5\n"
    ),
}


def verdict(**facts: object) -> str:
    samples = with_derived(samples_from_wide(pd.DataFrame([{"label": "A", **facts}])))
    return str(run_all(samples, Limits(), lambda _: None).verdict.item())


def test_readings_that_fit_each_other_make_a_sample_ok() -> None:
    assert verdict(**SOUND) == "ok"


@pytest.mark.parametrize(
    "only",
    [{"ph": 7.4}, {"ph": 7.4, "temperature_c": 15.0}, {"total_hardness_mg_l_caco3": 200.0}, {"chloride_mg_l": 20.0}],
)
def test_a_value_within_its_range_proves_nothing(only: dict[str, float]) -> None:
    assert verdict(**only) == "unjudged"


def test_a_sample_of_which_most_was_not_read_is_not_judged() -> None:
    assert verdict(**SOUND, cells_not_read=3, not_read="") == "ok"
    assert verdict(**SOUND, cells_not_read=4, not_read="") == "unjudged"


def test_a_relation_does_not_prove_what_one_of_its_quantities_was_set_aside_of() -> None:
    hardness_only = {name: SOUND[name] for name in ("total_hardness_mg_l_caco3", "conductivity_us_cm_25c")}

    assert verdict(**hardness_only, cells_not_read=1, not_read="iron") == "ok"
    assert verdict(**hardness_only, cells_not_read=1, not_read="total_hardness") == "unjudged"


def test_dates_ranges_and_habits_are_no_relations() -> None:
    for check_id in ("date-form", "date-order", "out-of-physical-range", "instrument-range", "rounding-habit"):
        assert CHECKS[check_id].relation == ()
    for check_id in ("ion-balance", "conductivity-from-ions", "hardness-sum", "conductivity-vs-hardness"):
        assert len(CHECKS[check_id].relation) > 1


def test_every_verdict_has_its_primary_flag() -> None:
    """QARTOD: 1 pass, 2 not evaluated, 3 suspect, 4 fail."""
    assert tuple(QARTOD_FLAGS) == VERDICTS
    assert [QARTOD_FLAGS[name] for name in ("ok", "unjudged", "hold", "reject")] == [1, 2, 3, 4]


def test_an_unread_list_is_a_finding_in_file_store_and_views(tmp_path: Path) -> None:
    """A list without units leaves its pH; the sample is neither ok nor on hold, and keeps what was lost of it."""
    (tmp_path / "list.csv").write_text("Sample,Site,Date,pH,Calcium,Hardness\nA,S,2025-11-14,7.6,80,250\n", "utf-8")
    store = tmp_path / "s.duckdb"

    done = CliRunner().invoke(
        main, ["intake", str(tmp_path / "list.csv"), "--out", str(tmp_path / "out"), "--store", str(store)]
    )

    assert done.exit_code == 1
    summary = json.loads(next((tmp_path / "out").glob("2*/summary.json")).read_text("utf-8"))
    assert (summary["samples"]["unjudged"], summary["samples"]["ok"]) == (1, 0)
    assert "1 of 1 sample not judged" in " ".join(done.output.split())
    with Store(store) as kept:
        for view in ("v_sample", "v_latest"):
            found = kept.connection.execute(f"SELECT current_verdict FROM {view}").fetchall()  # noqa: S608 - names of this test
            assert found == [("unjudged",)]
        told = kept.connection.execute("SELECT cells_not_read, not_read FROM sample").fetchone()
        steps = kept.connection.execute("SELECT DISTINCT current_verdict FROM v_trend").fetchall()
    assert told == (2, "calcium total_hardness")
    assert steps == [("unjudged",)]


def test_what_was_not_read_counts_for_its_own_sample(tmp_path: Path) -> None:
    for layout, text in LAYOUTS.items():
        (tmp_path / f"{layout}.csv").write_text(text, "utf-8")
    store = tmp_path / "s.duckdb"

    CliRunner().invoke(
        main, ["intake", *map(str, tmp_path.glob("*.csv")), "--out", str(tmp_path / "out"), "--store", str(store)]
    )

    with Store(store) as kept:
        found = dict(kept.connection.execute("SELECT label, verdict FROM sample").fetchall())
    assert found == {
        f"{sample} {layout}": verdict for layout in LAYOUTS for sample, verdict in (("A", "ok"), ("B", "unjudged"))
    }
