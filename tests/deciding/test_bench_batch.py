"""A batch of the bench: its blank holds the day, a corrected sheet comes in, the day is void or released."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.deciding.answer import Answer
from pipeline.deciding.decide import decide
from pipeline.intake import run
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.common_practice

HEAD = (
    "Sample ID,QC type,Client,Site,Date,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),"
    "Conductivity (µS/cm),Chloride (mg/L)\n"
)
BLANK = "MB-1,method blank,,,2026-11-02,2,1,3,9.5\n"
WATERS = ("B-1,,Q,S1,2026-11-02,210,180,460,41\n", "B-2,,Q,S2,2026-11-02,150,120,330,38\n")
CORRECTED = "B-2,,Q,S2,2026-11-02,150,120,330,35\n"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """Take the sheet in, and the corrected one."""
    folder: Path = tmp_path_factory.mktemp("bench")
    settings = Settings(out=folder / "out", store=folder / "s.duckdb")
    for name, rows in {"sheet.csv": [BLANK, *WATERS], "corrected.csv": [BLANK, WATERS[0], CORRECTED]}.items():
        (folder / name).write_text(HEAD + "".join(rows), encoding="utf-8")
        run([folder / name], settings)
    return settings


def ask(settings: Settings, sql: str, *parameters: str) -> list[tuple[Any, ...]]:
    with Store(settings.store, read_only=True) as store:
        return store.connection.execute(sql, list(parameters)).fetchall()


def answer(settings: Settings, label: str, check: str, action: str) -> None:
    """Answer the current finding of a check about a sample."""
    question = "SELECT min(finding_id) FROM v_finding WHERE label = $1 AND check_id = $2 AND is_current"
    [(number,)] = ask(settings, question, label, check)
    decide(settings, Answer(number, action, "A. Smith", "asked the bench"), datetime.now(UTC))


def verdicts(settings: Settings) -> dict[str, str]:
    return dict(ask(settings, "SELECT label, current_verdict FROM v_sample WHERE label LIKE 'B-%'"))


def test_which_report_counts_does_not_settle_the_blank(bench: Settings) -> None:
    """Named by the finding of the blank, the answer is about the reports; the day waits for its blank."""
    answer(bench, "B-2", "blank", "use-report")

    assert verdicts(bench) == {"B-1": "hold", "B-2": "hold"}
    assert ask(bench, "SELECT chloride_mg_l FROM v_sample WHERE label = 'B-2'") == [(35.0,)]


def test_a_day_is_void_taken_back_and_released_as_one(bench: Settings) -> None:
    found = []
    for action in ("reject", "reopen", "accept"):
        answer(bench, "MB-1", "blank", action)
        found.append(verdicts(bench))

    assert found[0] == {"B-1": "reject", "B-2": "reject"}
    assert found[1] == {"B-1": "hold", "B-2": "hold"}
    assert found[2] == {"B-1": "note", "B-2": "note"}


RERUN = (
    "MB-2,method blank,,,{day},0.2,0.2,1,0.3\n",
    "B-1,,Q,S1,{day},210,181,461,32\n",
    "B-2,,Q,S2,{day},151,120,331,29\n",
)


@pytest.mark.parametrize("day", ["2026-11-02", "2026-11-03"])
def test_a_void_day_stays_void_and_its_rerun_is_released(tmp_path: Path, day: str) -> None:
    """Of the same day the rerun takes the place of what was void, of the next it stands beside it; undone by reopen.

    A copy of the void rows in another sheet measures nothing anew.
    """
    settings = Settings(out=tmp_path / "out", store=tmp_path / "s.duckdb")
    copied = ["B-1,,Q,S1,2026-11-02,210,180,460,41\n", "B-9,,Q,S9,2026-11-20,180,150,400,30\n"]
    sheets = {"sheet": [BLANK, *WATERS], "copied": copied, "rerun": [row.format(day=day) for row in RERUN]}
    found = []
    for name, rows in sheets.items():
        (tmp_path / f"{name}.csv").write_text(HEAD + "".join(rows), encoding="utf-8")
        run([tmp_path / f"{name}.csv"], settings)
        if name == "sheet":
            answer(settings, "MB-1", "blank", "reject")
        now = ask(settings, "SELECT chloride_mg_l, current_verdict FROM v_sample WHERE label IN ('B-1', 'B-2')")
        found.append({value: verdict in ("ok", "note") for value, verdict in now})
    answer(settings, "MB-1", "blank", "reopen")
    held = ask(settings, "SELECT count(*) FROM v_sample WHERE label IN ('B-1', 'B-2') AND current_verdict = 'hold'")

    void = {} if day == "2026-11-02" else {41.0: False, 38.0: False}
    assert found == [{41.0: False, 38.0: False}, {41.0: False, 38.0: False}, {32.0: True, 29.0: True, **void}]
    assert held == [(2,)]
