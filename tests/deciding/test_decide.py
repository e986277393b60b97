"""A person's answers: kept with who and why, never in place of what was read, and the sample proven anew."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner
from rich.console import Console

from pipeline.cli import main
from pipeline.deciding import Answer, decide
from pipeline.errors import KettlestoneError
from pipeline.intake import run
from pipeline.report.terminal.explain import show_why, why
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 5, 14, 7, 9, tzinfo=UTC)
HEAD = (
    "Sample,Client,Site,Date,Stage,Conductivity (µS/cm),Calcium (mg/l),Magnesium (mg/l),Sodium (mg/l),Potassium (mg/l),"
)
HEAD += "Bicarbonate (mg/l),Chloride (mg/l),Sulfate (mg/l),Nitrate (mg/l NO3),pH\n"
# cations 3.99 + 0.99 + 0.87 + 0.05 = 5.90 and anions 4.10 + 1.02 + 0.83 + 0.16 = 6.11 meq/L: the ions agree,
# and 6 meq/L conduct about 600 µS/cm (a hundred times the meq/L [APHA2510]); 0.603 is the same in mS/cm.
# The others keep the same rule: 6.7, 3.85 and 2.35 meq/L.
SHEET = HEAD + (
    "A-1,Nobody,N-1,2026-02-03,Raw,0.603,80,12,20,2,250,36,40,10,7.4\n"
    "A-2,Nobody,N-2,2026-02-03,Raw,672,91,9,28,3,262,45,52,14,7.3\n"
    "TWIN,Nobody,N-3,2026-02-03,Raw,397,55,7,11,1,170,18,24,6,7.6\n"
    "TWIN,Nobody,N-4,2026-02-04,Raw,246,33,4,8,1,98,12,17,4,7.8\n"
)


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("deciding")
    (folder / "sheet.csv").write_text(SHEET, encoding="utf-8")
    run([folder / "sheet.csv"], Settings(out=folder / "out", store=folder / "s.duckdb"))
    return folder


@pytest.fixture
def settings(imported: Path, tmp_path: Path) -> Settings:
    shutil.copy(imported / "s.duckdb", tmp_path / "s.duckdb")
    return Settings(out=tmp_path, store=tmp_path / "s.duckdb")


def ask(settings: Settings, sql: str) -> list[tuple[Any, ...]]:
    with Store(settings.store, read_only=True) as store:
        return store.connection.execute(sql).fetchall()


def findings_of(settings: Settings, label: str) -> list[int]:
    found = ask(
        settings,
        f"SELECT finding_id FROM v_finding WHERE label = '{label}' AND is_current "  # noqa: S608 - a test's own label
        "AND current_severity IN ('hold', 'reject') ORDER BY finding_id",
    )
    return [number for (number,) in found]


def command(settings: Settings, *words: str) -> Any:  # noqa: ANN401 - click's result
    return CliRunner().invoke(main, [*words, "--store", str(settings.store)])


@pytest.mark.source("APHA2510")
def test_explain_names_the_unit_that_was_meant(settings: Settings) -> None:
    screen = io.StringIO()

    answer = why(settings, "A-1", NOW)

    show_why(answer, Console(file=screen, width=120))
    first = answer.explanation["causes"][0]
    assert answer.something
    assert (first["mistake"], first["analyte"]) == ("wrong-unit", "conductivity")
    assert first["value_to"] == pytest.approx(603.0)
    assert first["probability"] > 0.5
    assert "mS/cm" in screen.getvalue()
    assert "0.603 → 603 µS/cm" in screen.getvalue()


def test_a_sample_that_agrees_with_itself_has_nothing_to_explain(settings: Settings) -> None:
    result = command(settings, "explain", "A-2", "--json")

    assert result.exit_code == 0
    assert json.loads(result.stdout)["explanation"]["causes"][0]["mistake"] == "no-mistake"


def test_findings_lists_what_waits_with_its_number(settings: Settings) -> None:
    numbers = findings_of(settings, "A-1")

    result = command(settings, "findings", "A-1", "--json")

    assert result.exit_code == 1
    assert [row["finding_id"] for row in json.loads(result.stdout)] == numbers
    assert str(numbers[0]) in command(settings, "findings").stdout
    assert command(settings, "findings", "A-2").exit_code == 0
    one = json.loads(command(settings, "findings", "--check", "conductivity-unit", "--all", "--json").stdout)
    assert {row["check_id"] for row in one} == {"conductivity-unit"}


def test_an_accepted_finding_no_longer_holds_its_sample(settings: Settings) -> None:
    numbers = findings_of(settings, "A-1")

    for number in numbers:
        outcome = decide(settings, Answer(number, "accept", "A. Technician", "read twice"), NOW)

    assert outcome.verdict_before == "hold"
    assert outcome.verdict_after == "note"
    assert ask(settings, "SELECT verdict, current_verdict FROM v_sample WHERE label = 'A-1'") == [("hold", "note")]
    assert command(settings, "findings", "A-1").exit_code == 0


def test_what_was_decided_stays_listed_when_the_sample_was_checked_anew(settings: Settings) -> None:
    first = findings_of(settings, "A-1")[0]
    decide(settings, Answer(first, "correct", "A. T.", "mS/m", 59.6, "mS/m", analyte="conductivity"), NOW)

    listed = json.loads(command(settings, "findings", "A-1", "--all", "--json").stdout)

    assert [row["finding_id"] for row in listed if row["decision"] == "correct"] == [first]


def test_one_accepted_finding_of_several_opens_nothing(settings: Settings) -> None:
    first, *others = findings_of(settings, "A-1")

    outcome = decide(settings, Answer(first, "accept", "A. Technician", "read twice"), NOW)

    assert others
    assert outcome.verdict_after == "hold"


@pytest.mark.parametrize(("action", "verdict"), [("reject", "reject"), ("repeat", "hold")])
def test_a_rejected_or_repeated_finding_keeps_its_sample_out(settings: Settings, action: str, verdict: str) -> None:
    number = findings_of(settings, "A-1")[0]

    assert decide(settings, Answer(number, action, "A. Technician", "see the bench book"), NOW).verdict_after == verdict


def test_a_correction_is_a_reading_of_its_own_and_the_sample_is_checked_anew(settings: Settings) -> None:
    number = findings_of(settings, "A-1")[0]
    answer = Answer(number, "correct", "A. Technician", "the meter shows mS/cm", 0.603, "mS/cm", analyte="conductivity")

    outcome = decide(settings, answer, NOW)

    assert (outcome.verdict_before, outcome.verdict_after) == ("hold", "ok")
    readings = "SELECT value, raw_text, raw_unit, counts, corrects IS NOT NULL FROM v_reading"
    assert ask(settings, f"{readings} WHERE label = 'A-1' AND analyte = 'conductivity' ORDER BY reading_id") == [
        (0.603, "0.603", "µS/cm", False, False),
        (603.0, "0.603", "mS/cm", True, True),
    ]
    sample = "SELECT verdict, corrected, round(conductivity_us_cm_25c, 6) FROM v_sample WHERE label = 'A-1'"
    assert ask(settings, sample) == [("ok", "conductivity", 603.0)]
    assert not why(settings, "A-1", NOW).something
    assert ask(settings, "SELECT sum(entries_accepted) FROM batch") == ask(
        settings, "SELECT count(*) FROM reading WHERE decision_id IS NULL"
    )


def test_a_later_answer_takes_a_correction_back_and_both_stay(settings: Settings) -> None:
    number = findings_of(settings, "A-1")[0]
    answer = Answer(number, "correct", "A. Technician", "mS/cm", 0.603, "mS/cm", analyte="conductivity")
    decide(settings, answer, NOW)

    outcome = decide(settings, Answer(number, "repeat", "B. Technician", "the meter is lent out"), NOW)

    assert (outcome.verdict_before, outcome.verdict_after) == ("ok", "hold")
    assert ask(settings, "SELECT conductivity_us_cm_25c, corrected FROM v_sample WHERE label = 'A-1'") == [(0.603, "")]
    assert ask(settings, "SELECT action FROM decision ORDER BY decision_id") == [("correct",), ("repeat",)]


def test_a_correction_counts_when_more_of_the_sample_comes_in(settings: Settings, tmp_path: Path) -> None:
    number = findings_of(settings, "A-1")[0]
    answer = Answer(number, "correct", "A. Technician", "mS/cm", 0.603, "mS/cm", analyte="conductivity")
    decide(settings, answer, NOW)
    late = tmp_path / "late.csv"
    late.write_text(
        "Sample,Client,Site,Date,Stage,Silica (mg/l SiO2),Fluoride (mg/l)\nA-1,Nobody,N-1,2026-02-03,Raw,12,0.2\n"
    )

    summary = run([late], settings).summary

    assert summary["samples"]["hold"] == 0
    assert ask(settings, "SELECT conductivity_us_cm_25c, silica_mg_l FROM v_sample WHERE label = 'A-1'") == [
        (603.0, 12.0)
    ]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("decide", "9999", "accept", "--by", "A", "--why", "b"), "there is no finding 9999"),
        (("decide", "1", "accept", "--by", " ", "--why", "b"), "--by is empty"),
        (("decide", "1", "correct", "--by", "A", "--why", "b"), "needs its value"),
        (("decide", "1", "accept", "--by", "A", "--why", "b", "--value", "3"), 'goes with "correct" only'),
        (("explain", "nothing-of-ours"), "neither the identifier nor the label"),
        (("explain", "TWIN"), "label of 2 samples"),
        (("findings", "TWIN"), "Give the identifier"),
    ],
)
def test_an_answer_that_cannot_be_kept_says_why(settings: Settings, words: tuple[str, ...], said: str) -> None:
    result = command(settings, *words)

    assert result.exit_code == 2
    assert said in result.stderr
    assert ask(settings, "SELECT count(*) FROM decision") == [(0,)]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"unit": "potato"}, "is not clear"),
        ({"analyte": "potato"}, "not a known quantity"),
        ({"value": -1.0}, "cannot be a"),
        ({"action": "ignore"}, "is no decision"),
    ],
)
def test_a_correction_needs_a_value_that_can_be(settings: Settings, change: dict[str, Any], said: str) -> None:
    number = findings_of(settings, "A-1")[0]
    good: dict[str, Any] = {"action": "correct", "value": 0.603, "unit": "mS/cm", "analyte": "conductivity"}

    with pytest.raises(KettlestoneError, match=said):
        decide(settings, Answer(number, by="A", why="b", **{**good, **change}), NOW)


def test_a_store_that_is_not_there_or_in_use_is_told(settings: Settings, tmp_path: Path) -> None:
    answer = Answer(1, "accept", "A", "b")
    with pytest.raises(KettlestoneError, match="no store here yet"):
        decide(Settings(store=tmp_path / "none.duckdb"), answer, NOW)

    hold = f"import duckdb; c = duckdb.connect({str(settings.store)!r}); print('held', flush=True); input()"
    with subprocess.Popen([sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:  # noqa: S603 - our own
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(KettlestoneError, match=f"in use by process {holder.pid}"):
            decide(Settings(store=settings.store, lock_wait_s=0.05), answer, NOW)
        holder.communicate(b"\n")


def test_the_page_and_the_tables_tell_the_cause(imported: Path) -> None:
    (folder,) = (imported / "out").iterdir()
    page = (folder / "summary.html").read_text(encoding="utf-8")
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))

    assert "Most likely:" in page
    assert "<script" not in page
    first = next(sample for sample in summary["attention"]["listed"] if sample["label"] == "A-1")
    assert first["explanation"]["causes"][0]["mistake"] == "wrong-unit"
    assert first["explanation"]["relations"]
    assert "wrong-unit" in (folder / "explanations.csv").read_text(encoding="utf-8")
    with Store(imported / "s.duckdb", read_only=True) as store:
        assert store.connection.execute("SELECT mistake FROM explanation WHERE rank = 1").fetchall() == [
            ("wrong-unit",)
        ]
