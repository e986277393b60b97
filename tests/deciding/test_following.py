"""A later file of a sender follows the answer to an earlier one, and no check that fails releases a sample."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import pytest

from pipeline.checks.registry import CHECKS
from pipeline.deciding import Answer, decide
from pipeline.intake import run
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

pytestmark = pytest.mark.common_practice

HEAD: Final = (
    "Sample ID,Client,Site,Date,pH,Conductivity (µS/cm),Total Hardness (mg/L CaCO3),Total Alkalinity (mg/L CaCO3),"
    "Chloride (mg/L)\n"
)
NOW: Final = datetime(2026, 12, 1, tzinfo=UTC)


def sheet(letter: str, month: int, factor: float) -> str:
    """Nine ordinary waters, 2.1 µS/cm per mg/L of hardness; the sender's conductivity is ``factor`` times that."""
    rows = []
    for number in range(1, 10):
        hard = 140 + 10 * number + month
        read = 2.1 * hard * factor
        rows.append(
            f"{letter}-{number},R,S{number},2025-{month:02}-0{number},7.{number},{read:.1f},{hard},{hard * 0.8:.0f},"
            f"{10 + number + month / 10}\n"
        )
    return HEAD + "".join(rows)


def verdicts(settings: Settings, column: str = "current_verdict") -> dict[str, dict[str, str]]:
    with Store(settings.store, read_only=True) as store:
        found = store.connection.execute(f"SELECT left(label, 1), label, {column} FROM v_sample").fetchall()  # noqa: S608 - a column of this test
    told: dict[str, dict[str, str]] = {}
    for letter, label, word in found:
        told.setdefault(letter, {})[label] = word
    return told


@pytest.fixture(scope="module")
def months(tmp_path_factory: pytest.TempPathFactory) -> tuple[Settings, list[Mapping[str, object]]]:
    """March and April have mS/m under µS/cm; March was answered; in May the sender has mended it."""
    folder: Path = tmp_path_factory.mktemp("months")
    settings = Settings(out=folder / "out", store=folder / "s.duckdb")
    told = []
    for letter, month, factor in (("A", 3, 0.1), ("B", 4, 0.1), ("C", 5, 1.0)):
        (folder / f"{letter}.csv").write_text(sheet(letter, month, factor), encoding="utf-8")
        told.append(run([folder / f"{letter}.csv"], settings).summary)
        if letter == "A":
            said = Answer(1, "correct", "A. Smith", "asked", unit="mS/m", stage="treated", reach="file")
            decide(settings, said, NOW)
    return settings, told


def test_the_next_file_with_the_mistake_follows_and_the_mended_one_is_left(
    months: tuple[Settings, list[Mapping[str, object]]],
) -> None:
    settings, told = months
    with Store(settings.store, read_only=True) as store:
        values = store.connection.execute(
            "SELECT left(label, 1) AS letter, min(conductivity_us_cm_25c), max(conductivity_us_cm_25c), "
            "min(stage), max(stage) FROM v_sample GROUP BY letter ORDER BY letter"
        ).fetchall()
        open_ones = store.connection.execute(
            "SELECT count(*) FROM v_finding WHERE is_current AND current_severity IN ('hold', 'reject')"
        ).fetchall()

    assert [one["samples"]["hold"] for one in told] == [9, 0, 0]  # type: ignore[index]
    assert values == [("A", 321.0, 489.0, *2 * ["treated"]), *values[1:]]
    assert [round(row[1] / row[2], 2) for row in values] == [0.66, 0.66, 0.66]
    assert {row[3] for row in values} == {row[4] for row in values} == {"treated"}
    assert open_ones == [(0,)]
    assert {row["problem"]: row["count"] for row in told[1]["notices"]}["answer-followed"] == 2  # type: ignore[attr-defined]


def test_taken_back_it_is_taken_back_of_every_file_that_followed(
    months: tuple[Settings, list[Mapping[str, object]]],
) -> None:
    settings, _ = months

    decide(settings, Answer(1, "reopen", "A. Smith", "the meter was right"), NOW)

    now = verdicts(settings)
    assert set(now["A"].values()) == set(now["B"].values()) == {"hold"}
    assert "hold" not in now["C"].values()
    assert {stage for rows in verdicts(settings, "stage").values() for stage in rows.values()} == {""}


def _fails(*_: object) -> None:
    raise ZeroDivisionError


@pytest.mark.faults
def test_a_check_that_fails_at_an_answer_releases_nothing(
    months: tuple[Settings, list[Mapping[str, object]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """All three checks of conductivity fail by a fault of the program: what they found before stays."""
    settings, _ = months
    for name in ("conductivity-unit", "conductivity-vs-hardness", "conductivity-vs-alkalinity", "factor-ten"):
        monkeypatch.setitem(CHECKS, name, replace(CHECKS[name], function=_fails))
    with Store(settings.store, read_only=True) as store:
        [(number,)] = store.connection.execute(
            "SELECT min(finding_id) FROM v_finding WHERE label = 'B-2' AND is_current"
        ).fetchall()

    outcome = decide(settings, Answer(number, "correct", "A. Smith", "seen", stage="raw"), NOW)

    assert outcome.verdict_after == "hold"
    with Store(settings.store, read_only=True) as store:
        told = store.connection.execute("SELECT DISTINCT \"column\" FROM notice WHERE problem = 'not-worked-out'").df()
    assert "conductivity-unit" in told["column"].tolist()


def test_an_answer_proves_a_sample_beside_all_that_an_intake_proves_it_beside(tmp_path: Path) -> None:
    """A row of another site of the client, in another file, was copied: a date that is put right does not hide it."""
    settings = Settings(out=tmp_path / "out", store=tmp_path / "s.duckdb")
    row = "7.38,452,211,171,23.1\n"
    for name, line in {"north": f"A-3,Q,North,2025-03-15,{row}", "south": f"B-1,Q,South,2025-03-16,{row}"}.items():
        (tmp_path / f"{name}.csv").write_text(HEAD + line, encoding="utf-8")
        run([tmp_path / f"{name}.csv"], settings)

    decide(settings, Answer(1, "correct", "A. Smith", "asked", date="2025-03-17"), NOW)

    with Store(settings.store, read_only=True) as store:
        [(found,)] = store.connection.execute(
            "SELECT count(*) FROM v_finding WHERE label = 'B-1' AND is_current AND check_id = 'copied-reading'"
        ).fetchall()
    assert found == 1
