"""The same sheet whole, in halves and row by row, in any order: the same verdicts and the same findings that hold."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline.checks.registry import CHECKS
from pipeline.intake import run
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from pathlib import Path

HEAD = (
    "Sample,Client,Site,Stage,Treatment,Date,pH,Temperature (°C),Total hardness (mg/L CaCO3),"
    "Alkalinity (mg/L CaCO3),Conductivity (µS/cm)"
)
ROWS = (
    "R1,Q,Cafe,raw,,2025-01-02,7.61,14.2,212,171,483",
    "T1,Q,Cafe,treated,softener,2025-01-02,7.68,14.6,9,170,499",
    "R2,Q,Cafe,raw,,2025-02-05,7.61,14.2,212,171,483",  # the visit before copied, both bottles
    "T2,Q,Cafe,treated,softener,2025-02-05,7.68,14.6,9,170,499",
    "R3,Q,Bar,raw,,2025-03-01,7.52,13.0,260,205,560",
    "T3,Q,Bar,treated,carbon,2025-03-01,7.55,13.0,146,207,563",  # 14.6 °dH written as 14.6 °f
    "A1,P,North,raw,,2025-03-01,7.00,11.0,98,77,222",  # a meter that shows 7.00 whatever it is dipped into
    "A2,P,South,raw,,2025-03-01,7.01,11.5,310,250,660",
    "A3,P,East,raw,,2025-03-02,7.00,12.0,180,150,410",
    "A4,P,West,raw,,2025-03-02,6.99,12.5,150,128,331",
)

Judgement = tuple[dict[str, str], set[tuple[str, str]], list[str]]


def judgement(folder: Path, portions: list[list[str]]) -> Judgement:
    """Take portions in one after the other; give verdicts, open findings by label, and all that was ever said."""
    settings = Settings(out=folder / "out", store=folder / "kettlestone.duckdb")
    for number, rows in enumerate(portions):
        sheet = folder / f"sheet {number}.csv"
        sheet.write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
        run([sheet], settings)
    with Store(settings.store, read_only=True) as store:
        ask = store.connection.execute
        verdicts = dict(ask("SELECT label, verdict FROM v_sample").fetchall())
        findings = ask("SELECT label, check_id, severity, is_current, message FROM v_finding").fetchall()
    held = {(label, check) for label, check, severity, current, _ in findings if current and severity == "hold"}
    return verdicts, held, [message for *_, message in findings]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Judgement:
    return judgement(tmp_path_factory.mktemp("whole"), [list(ROWS)])


@pytest.mark.common_practice
def test_the_sheet_holds_what_was_copied_mistyped_and_stuck(whole: Judgement) -> None:
    verdicts, held, _ = whole

    assert {name for name, verdict in verdicts.items() if verdict == "hold"} == {
        "R2",
        "T2",
        "T3",
        "A1",
        "A2",
        "A3",
        "A4",
    }
    assert {("R2", "copied-reading"), ("T2", "copied-reading"), ("A1", "stuck-instrument")} <= held


@pytest.mark.common_practice
@pytest.mark.parametrize("order_of", ["halves", "backwards", pytest.param("shuffled", marks=pytest.mark.slow)])
def test_a_sheet_in_portions_is_judged_as_the_whole(tmp_path: Path, whole: Judgement, order_of: str) -> None:
    """What a later portion says of an earlier sample is told as such."""
    rows = list(ROWS)
    if order_of == "halves":
        portions = [rows[::2], rows[1::2]]
    elif order_of == "backwards":
        portions = [rows[5:], rows[:5]]
    else:
        places = np.random.default_rng(3).permutation(len(rows))
        rows = [rows[place] for place in places]
        portions = [rows[:1], rows[1:4], rows[4:5], rows[5:]]

    verdicts, held, said = judgement(tmp_path, portions)

    assert (verdicts, held) == whole[:2]
    assert any("An earlier sample, judged again" in message for message in said)


@pytest.mark.faults
def test_a_check_that_fails_releases_no_earlier_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Alkalinity that a softener took away is held; a later visit, at which that check fails, leaves it held."""

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    first = [ROWS[0], "T1,Q,Cafe,treated,softener,2025-01-02,7.68,14.6,9,82,330"]
    before, held, _ = judgement(tmp_path, [first])
    checks = {check for label, check in held if label == "T1"}
    for check_id in checks:
        monkeypatch.setitem(CHECKS, check_id, replace(CHECKS[check_id], function=broken))

    after, still_held, _ = judgement(tmp_path, [[ROWS[2]]])

    assert checks
    assert before["T1"] == after["T1"] == "hold"
    assert held <= still_held
