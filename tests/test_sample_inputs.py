"""The sample inputs end to end: what its README says was planted is what the tool answers."""

from __future__ import annotations

import io
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pandas as pd
import pytest
from rich.console import Console

from pipeline.deciding import Answer, decide_all
from pipeline.intake import run
from pipeline.report.terminal.findings import FindingsWanted, list_findings
from pipeline.report.terminal.summary import show_summary
from pipeline.settings import Settings, load_settings
from pipeline.stored_batch import rewrite
from schemas.columns import OPEN

if TYPE_CHECKING:
    from pipeline.batch import Finished

FOLDER = Path(__file__).parent.parent / "sample_inputs"
RANK = {"ok": 0, "note": 1, "hold": 2, "reject": 3}
SAME_STUCK_METER = {"P2-2", "P2-3", "P2-4", "P2-5"}


def _table(heading: str) -> list[list[str]]:
    """Rows of the README's table under ``heading``, as text."""
    section = (FOLDER / "README.md").read_text(encoding="utf-8").split(f"## {heading}\n", 1)[1].split("\n## ")[0]
    rows = [line for line in section.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[1:]]


PLANTED = _table("Errors put in on purpose")
CELLS = _table("Cells set aside, the rest of their row kept")
SURPRISES = [row[0] for row in _table("Surprises that are no errors")]


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Finished:
    out = tmp_path_factory.mktemp("outputs")
    return run([FOLDER], load_settings(None, out=out, store=out / "kettlestone.duckdb", layouts=None))


@pytest.fixture(scope="module")
def samples(finished: Finished) -> pd.DataFrame:
    table = pd.read_csv(finished.folder / "samples.csv", dtype={"label": str}).set_index("label")
    assert table.index.is_unique
    return table


@pytest.fixture(scope="module")
def findings(finished: Finished) -> pd.DataFrame:
    return pd.read_csv(finished.folder / "findings.csv", dtype={"label": str})


def test_the_scenario_is_rich_enough(samples: pd.DataFrame) -> None:
    """Sixty samples, twenty-five planted errors of distinct kinds, and most samples usable."""
    assert len(samples) >= 60
    assert len({row[3] for row in PLANTED}) >= 25
    assert samples["verdict"].isin(["ok", "note"]).mean() > 0.5


@pytest.mark.common_practice
@pytest.mark.parametrize(("label", "verdict", "check"), [(row[2], row[4], row[5]) for row in PLANTED])
def test_a_planted_error_is_found_by_its_check(
    samples: pd.DataFrame, findings: pd.DataFrame, label: str, verdict: str, check: str
) -> None:
    named = set(findings.loc[findings["label"] == label, "check_id"])

    assert check in named
    assert RANK[str(samples.loc[label, "verdict"])] >= RANK[verdict]


@pytest.mark.common_practice
@pytest.mark.parametrize("label", SURPRISES)
def test_a_true_surprise_is_not_an_error(samples: pd.DataFrame, label: str) -> None:
    assert samples.loc[label, "verdict"] in {"ok", "note"}


def test_clean_samples_are_not_held(samples: pd.DataFrame) -> None:
    clean = samples.drop(index=[row[2] for row in PLANTED] + sorted(SAME_STUCK_METER))

    assert list(clean.index[~clean["verdict"].isin(["ok", "note"])]) == []


def test_each_bottle_of_a_stuck_meter_is_held(samples: pd.DataFrame) -> None:
    assert set(samples.loc[sorted(SAME_STUCK_METER), "verdict"]) == {"hold"}


@pytest.mark.parametrize(("name", "line", "label", "problem"), [(row[0], int(row[1]), row[2], row[4]) for row in CELLS])
def test_a_bad_cell_is_set_aside_and_its_row_kept(
    finished: Finished, samples: pd.DataFrame, name: str, line: int, label: str, problem: str
) -> None:
    aside = pd.read_csv(finished.folder / "set_aside.csv")
    hit = aside[aside["name"].str.endswith(name) & (aside["line"] == line)]

    assert list(hit["problem"]) == [problem]
    assert samples.loc[[label], ["ph", "calcium_mg_l", "chloride_mg_l"]].notna().all(axis=None)


@pytest.mark.source("WQX3")
def test_a_metal_not_detected_keeps_the_limit_of_its_report(finished: Finished) -> None:
    """The portal's sheet gives iron as "Not Detected" with a limit of 10 µg/L, which is 0.010 mg/L."""
    store = duckdb.connect(str(finished.folder.parent / "kettlestone.duckdb"), read_only=True)
    iron = store.sql("""SELECT r.qualifier, r.value, r."limit", r.unit FROM reading r JOIN sample s USING (sample_id)
        WHERE r.analyte = 'iron' AND s.label LIKE 'PW-%' ORDER BY s.label""").fetchall()

    assert iron == [("<", None, pytest.approx(0.010), "mg/L")] * 3


def test_entries_are_conserved_in_every_file_and_in_all(finished: Finished) -> None:
    files = finished.summary["files"]
    total = finished.summary["entries"]

    for file in files:
        assert file["entries"] == file["accepted"] + file["set_aside"], file["name"]
    assert total["read"] == total["accepted"] + total["set_aside"] == sum(file["entries"] for file in files)


def test_only_the_rota_is_not_understood(finished: Finished) -> None:
    unread = [Path(f["name"]).name for f in finished.summary["files"] if f["status"] == "not understood"]
    registers = {Path(f["name"]).name for f in finished.summary["files"] if f["status"] == "register"}

    assert unread == ["holiday_rota.csv"]
    assert registers == {"sites.csv", "treatments.csv"}


@pytest.mark.common_practice
def test_numbers_arrive_in_one_unit_system(samples: pd.DataFrame) -> None:
    """By hand: counts times the worth of a drop, mS/m times ten, a thousands point, an era year."""
    kit = (FOLDER / "tropfentest_quellmark.csv").read_text(encoding="cp1252").splitlines()
    drops = int(next(line for line in kit if ";TF-0312-R;" in line).split(";")[5])
    # 1 °dH = 10 mg/L CaO = 10 * 100.086 / 56.077 = 17.848 mg/L CaCO3 (IUPAC molar masses)
    assert samples.loc["TF-0312-R", "total_hardness_mg_l_caco3"] == pytest.approx(drops * 17.848, rel=1e-4)
    japan = (FOLDER / "suishitsu_kakuu.csv").read_text(encoding="utf-8-sig").splitlines()
    ms_per_m = float(next(line for line in japan if line.startswith("JL-1,")).split(",")[4])
    assert samples.loc["JL-1", "conductivity_us_cm_25c"] == pytest.approx(ms_per_m * 10)
    assert str(samples.loc["JL-1", "collected_at"]).startswith("2025-01-20")  # Reiwa 7
    spain = (FOLDER / "laboratorio_inventada.csv").read_text(encoding="utf-8").splitlines()
    written = next(line for line in spain if line.startswith("EL-4;")).split(";")[4]
    assert re.fullmatch(r"\d\.\d{3}", written)
    # 2500 µS/cm at 20 °C is 2790 at 25 °C (EU parametric value): 1.116
    assert samples.loc["EL-4", "conductivity_us_cm_25c"] == pytest.approx(float(written) * 1000 * 1.116, rel=3e-3)


def test_the_lines_the_readme_names_hold_the_samples() -> None:
    encodings = {"laboratorio_lumarra.csv": "latin-1", "meter_ec07.txt": "utf-16"}
    text = [row for row in PLANTED if row[0].endswith((".csv", ".txt"))]

    for name, line, label, *_ in text:
        data = (FOLDER / name).read_bytes()
        try:
            lines = data.decode(encodings.get(name, "utf-8-sig")).splitlines()
        except UnicodeDecodeError:
            lines = data.decode("cp1252").splitlines()
        assert label in re.split(r"[;,\t]", lines[int(line) - 1]), (name, line)


def test_samples_whose_cause_nobody_looked_for_are_stored_all_the_same(tmp_path: Path, samples: pd.DataFrame) -> None:
    """Samples with nothing more to come go into the store before the others; none is lost, none stands there twice."""
    settings = replace(load_settings(None, out=tmp_path, store=tmp_path / "k.duckdb", layouts=None), explain_most=10)
    done = run([FOLDER], settings)
    folder = done.folder

    with duckdb.connect(str(tmp_path / "k.duckdb"), read_only=True) as store:
        stored = store.sql("SELECT label, verdict FROM sample ORDER BY label").df()
        found = store.sql("SELECT finding_id, sample_id, check_id, message FROM finding ORDER BY finding_id").df()
    written = pd.read_csv(folder / "samples.csv", dtype={"label": str}).sort_values("label", ignore_index=True)
    findings = pd.read_csv(folder / "findings.csv", dtype={"label": str})
    assert list(stored["label"]) == list(written["label"]) == sorted(samples.index)
    assert list(stored["verdict"]) == list(written["verdict"])
    assert list(found["finding_id"]) == list(range(1, len(findings) + 1))
    columns = ["check_id", "message"]
    assert sorted(map(tuple, found[columns].to_numpy())) == sorted(map(tuple, findings[columns].to_numpy()))
    listed = [one for one in done.summary["attention"]["listed"] if one["verdict"] in OPEN]
    assert len(listed) > 10
    assert all(one["explanation"] for one in listed)


def test_the_terminal_says_it_in_forty_lines_and_the_verdict_last(finished: Finished) -> None:
    screen = io.StringIO()

    show_summary(finished.summary, finished.folder, Console(file=screen, width=80))

    lines = screen.getvalue().rstrip().splitlines()
    worst = [line for line in lines if re.match(r"[■✕] \d+ ", line)]
    assert len(lines) <= 40
    assert "of 136 samples: do not use these yet" in " ".join(lines[-2:])
    assert len(worst) == 5
    assert [line[0] for line in worst] == sorted((line[0] for line in worst), key="✕■".index)
    waiting = finished.summary["samples"]["hold"] + finished.summary["samples"]["reject"]
    assert f"{waiting - 5} more samples on hold or rejected: kettlestone findings --by-client lists them" in lines


def test_the_page_begins_with_who_to_call_and_folds_the_rest(finished: Finished) -> None:
    page = (finished.folder / "summary.html").read_text(encoding="utf-8")
    work = {line["sample_id"]: line for group in finished.summary["work"] for line in group["lines"]}
    held = {one["sample_id"]: one for one in finished.summary["attention"]["listed"] if one["verdict"] in OPEN}

    order = [page.index(f'<h2 id="{name}">') for name in ("files", "work", "details")]
    assert order == sorted(order)
    assert page.index("<details>") > order[-1]
    assert work.keys() == held.keys()
    for sample_id, line in work.items():
        assert line["numbers"] == [f["finding_id"] for f in held[sample_id]["findings"] if f["severity"] in OPEN]
        assert line["cause"] or line["todo"]
    [planted] = [line for line in work.values() if line["called"] == "HG-4A"]
    assert (planted["cell"], planted["written"]) == ("gouttes_brumevalle.csv:11", "Conductivité à 25 °C (µS/cm) “59.6”")
    assert planted["cause"] == "Conductivity: another unit (mS/m): 59.6 → 596 µS/cm (95 %)"


def test_the_page_assesses_one_usable_water_of_each_site(finished: Finished, samples: pd.DataFrame) -> None:
    page = (finished.folder / "summary.html").read_text(encoding="utf-8")
    section = page.split("What the waters will do", 1)[1].split("</details>", 1)[0]
    shown = re.findall(r'<tr><th scope="row">([^<]+)<br>', section)

    assert len(shown) >= 10
    assert not set(shown) & set(samples.index[samples["verdict"].isin(OPEN)])
    places = samples.loc[[name for name in shown if name in samples.index], ["client", "site"]].dropna()
    assert not places.duplicated().any()


def test_the_page_of_a_stored_batch_is_the_same_until_something_is_answered(finished: Finished) -> None:
    out = finished.folder.parent
    settings = load_settings(None, out=out, store=out / "kettlestone.duckdb", layouts=None)
    page = (finished.folder / "summary.html").read_text(encoding="utf-8")

    again = rewrite(settings, "latest")

    assert again.folder == finished.folder
    told = ("verdict", "entries", "samples", "controls", "coverage", "patterns", "work", "repeat", "ask", "set_aside")
    assert {name: again.summary[name] for name in told} == {name: finished.summary[name] for name in told}
    assert (finished.folder / "summary.html").read_text(encoding="utf-8").split("<h2", 3)[:3] == page.split("<h2", 3)[
        :3
    ]


@pytest.mark.slow
def test_a_work_list_answered_line_by_line_leaves_nothing_waiting(finished: Finished, tmp_path: Path) -> None:
    """The commands of the README: the question of a column, what names a change, copies, two reports, and the rest."""
    shutil.copytree(finished.folder.parent, tmp_path / "out")
    settings = Settings(out=tmp_path / "out", store=tmp_path / "out" / "kettlestone.duckdb")
    open_ones = list_findings(settings, FindingsWanted())
    first = open_ones.groupby("sample_id")["finding_id"].min()
    lines = [line for group in finished.summary["work"] for line in group["lines"]]
    number = {line["sample_id"]: int(first[line["sample_id"]]) for line in lines}
    told = {line["sample_id"]: line["cause"] for line in lines}
    no_value = ("copied", "does not show")
    column, reports = (
        set(open_ones.loc[open_ones["check_id"] == check, "sample_id"])
        for check in ("ambiguous-unit", "report-revision")
    )
    takes = {key for key in number if told[key] and not any(words in told[key] for words in no_value)}
    steps = {
        "accept": column,
        "take": takes,
        "use-report": reports,
        "reject": set(number) - column - takes - reports,
    }

    for action, samples in steps.items():
        answers = [Answer(number[key], action, "A. Smith", "as the sheets say") for key in sorted(samples)]
        decide_all(settings, answers, datetime.now(UTC))

    assert list_findings(settings, FindingsWanted()).empty
    assert {action for action, samples in steps.items() if samples} == set(steps)
    summary = rewrite(settings, "latest").summary
    assert summary["samples"]["hold"] == 0
