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
