"""Answers as people give them on the command line: what each one does to samples, readings and later files."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING, Any, Final

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.intake import run
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

WHO: Final = ("--by", "A. Smith", "--why", "asked the laboratory")
COLUMN: Final = "Sample ID,Client,Site,Date,Total Hardness (mg/L CaCO3),Total Alkalinity (mg/L),Conductivity (µS/cm)\n"
IONS: Final = (
    "Sample ID,Client,Site,Date,pH,Conductivity (µS/cm),Calcium (mg/L),Magnesium (mg/L),Sodium (mg/L),"
    "Potassium (mg/L),Bicarbonate (mg/L),Chloride (mg/L),Sulfate (mg/L),Nitrate (mg/L)\n"
)
PAIRS: Final = (
    "Sample,Client,Site,Stage,Treatment,Date,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)\n"
)


_FIRST: Final[dict[tuple[str, str], Path]] = {}  # where a file was taken in as the first of a store


class Place:
    """A store of its own, and the command line beside it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.settings = Settings(out=folder / "out", store=folder / "s.duckdb")

    def begun_with(self, name: str, text: str) -> Place:
        """Take the first file in, or copy what a place that began with the same file had then."""
        if (name, text) not in _FIRST:
            self.intake(name, text)
            _FIRST[name, text] = self.folder.with_name(f"{self.folder.name}-first")
            shutil.copytree(self.folder, _FIRST[name, text])
        else:
            shutil.copytree(_FIRST[name, text], self.folder, dirs_exist_ok=True)
        return self

    def intake(self, name: str, text: str) -> None:
        """Take a file in."""
        (self.folder / name).write_text(text, encoding="utf-8")
        run([self.folder / name], self.settings)

    def command(self, *words: str) -> Any:  # noqa: ANN401 - click's result
        """Run a command on this store."""
        return CliRunner().invoke(main, [*words, "--store", str(self.settings.store)])

    def decide(self, *words: str) -> Any:  # noqa: ANN401 - JSON
        """Answer, and give what came of it."""
        result = self.command("decide", *words, *WHO, "--json")
        assert result.exit_code == 0, result.stderr
        return json.loads(result.stdout)

    def ask(self, sql: str, *parameters: Any) -> list[tuple[Any, ...]]:  # noqa: ANN401 - of the question
        """Ask the store."""
        with Store(self.settings.store, read_only=True) as store:
            return store.connection.execute(sql, list(parameters)).fetchall()

    def number(self, label: str) -> str:
        """Give the number of the first open finding on a sample."""
        [(first,)] = self.ask(
            "SELECT min(finding_id) FROM v_finding WHERE label = ? AND is_current AND severity <> 'note'", label
        )
        return str(first)

    def verdicts(self) -> dict[str, str]:
        """Give the verdict in force of every sample by its label."""
        return dict(self.ask("SELECT label, current_verdict FROM v_sample"))


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


def column(label: str, count: int, month: int) -> str:
    """Hardness, four fifths of it as alkalinity, 2.1 µS/cm per mg/L: ordinary waters whose alkalinity has no form."""
    rows = [(label, number, month, 150 + 10 * number) for number in range(count)]
    return COLUMN + "".join(
        f"{name}-{number},R,S{number},2025-{month:02}-{number + 1:02},{hard},{hard * 8 // 10},{hard * 21 // 10}\n"
        for name, number, month, hard in rows
    )


@pytest.mark.parametrize("count", [3, 12])
def test_a_question_about_a_column_is_answered_once_for_this_file_and_the_next(place: Place, count: int) -> None:
    """Three rows are asked one by one, twelve as one source: the answer is one either way, and can be taken back."""
    place.begun_with("march.csv", column("U", count, 3))
    assert set(place.verdicts().values()) == {"hold"}

    outcome = place.decide("1", "accept")

    assert (outcome["open_before"], outcome["open_after"]) == (count, 0)
    assert set(place.verdicts().values()) == {"note"}
    place.intake("april.csv", column("V", count, 4))
    assert {verdict for label, verdict in place.verdicts().items() if label[0] == "V"} <= {"ok", "note"}
    place.decide("1", "reopen")
    assert {verdict for label, verdict in place.verdicts().items() if label[0] == "U"} == {"hold"}
    place.intake("may.csv", column("W", count, 5))
    assert {verdict for label, verdict in place.verdicts().items() if label[0] == "W"} == {"hold"}


def test_the_form_of_a_column_is_corrected_once(place: Place) -> None:
    """Alkalinity 120 as HCO3 is 98.4 as CaCO3: 50.04 / 61.017 of it [molar masses]."""
    place.begun_with("march.csv", column("U", 3, 3))

    outcome = place.decide("1", "correct", "--unit", "mg/L", "--basis", "HCO3")

    assert outcome["findings"] == 3
    [(value,)] = place.ask("SELECT alkalinity_mg_l_caco3 FROM v_sample WHERE label = 'U-0'")
    assert value == pytest.approx(120 * 50.0435 / 61.0168, rel=1e-4)
    assert place.ask("SELECT count(*) FROM reading WHERE raw_text = '120' AND decision_id IS NULL") == [(1,)]
    assert "hold" not in place.verdicts().values()


def test_a_cause_is_taken_by_its_rank(place: Place) -> None:
    """Sodium 11.8 leaves the cations 4.6 meq/L short of the anions: 106 mg/L more of it, 118, closes the balance."""
    place.intake("lab.csv", IONS + "P-1,C,P,2025-03-11,7.5,1198,104,29,11.8,6,269.1,186,140,18\n")
    number = place.number("P-1")

    refused = place.command("decide", number, "take", "--cause", "2", *WHO)
    outcome = place.decide(number, "take")

    assert refused.exit_code == 2
    assert "names no value" in refused.stderr
    assert (outcome["value"], outcome["verdict_after"]) == (pytest.approx(118.0), "ok")
    assert place.ask("SELECT sodium_mg_l FROM v_sample") == [(pytest.approx(118.0),)]
    place.decide(number, "reopen")
    assert place.ask("SELECT sodium_mg_l, current_verdict FROM v_sample") == [(11.8, "hold")]


def test_the_causes_of_a_whole_file_are_taken_at_once_each_sample_once(place: Place) -> None:
    """Chloride 1.86 for 186, magnesium and calcium exchanged, 1.198 mS/cm for 1198 µS/cm."""
    place.intake(
        "labor.csv",
        "Probe;Kunde;Ort;Datum;pH;Leitfähigkeit (µS/cm);Calcium (mg/l);Magnesium (mg/l);Natrium (mg/l);Kalium (mg/l);"
        "Hydrogencarbonat (mg/l);Chlorid (mg/l);Sulfat (mg/l);Nitrat (mg/l)\n"
        "D-1;K;O1;11.03.2025;7,5;1198;104;29;118;6;269,1;1,86;140;18\n"
        "D-2;K;O2;11.03.2025;7,5;1198;29;104;118;6;269,1;186;140;18\n"
        "D-3;K;O3;11.03.2025;7,5;1,198;104;29;118;6;269,1;186;140;18\n",
    )

    outcomes = place.decide("--file", "labor.csv", "take")

    assert len(outcomes) == 3
    numbers = "SELECT DISTINCT calcium_mg_l, magnesium_mg_l, chloride_mg_l, conductivity_us_cm_25c FROM v_sample"
    assert place.ask(numbers) == [(104.0, 29.0, pytest.approx(186.0), pytest.approx(1198.0))]
    assert set(place.verdicts().values()) <= {"ok", "note"}


def test_an_answer_to_one_column_does_not_answer_another(place: Place) -> None:
    """Calcium and alkalinity in ppm: both may count two things, and one answer is about one of them."""
    place.intake("f.csv", "Sample,Client,Site,Date,TH (°f),Calcium (ppm),TAC (ppm)\nU-1,R,S1,2025-03-11,15,40,80\n")
    numbers = [number for (number,) in place.ask("SELECT finding_id FROM v_finding WHERE current_severity = 'hold'")]

    assert len(numbers) == 2
    assert place.decide(str(numbers[0]), "accept")["verdict_after"] == "hold"
    assert place.decide(str(numbers[1]), "accept")["verdict_after"] == "note"


def visits(*last: str) -> str:
    """Five quiet visits to a decarboniser that takes hardness and alkalinity alike, and then what ``last`` says."""
    rows = []
    for month in range(1, 6):
        rows += [f"R{month},Q,Cafe,raw,,2025-0{month}-02,{150 + month % 2},130,291"]
        rows += [f"T{month},Q,Cafe,treated,decarboniser,2025-0{month}-02,{80 + month % 2},60,149"]
    return PAIRS + "\n".join([*rows, *last]) + "\n"


def test_bottles_are_exchanged_with_all_they_hold_and_back(place: Place) -> None:
    place.intake(
        "v.csv", visits("R6,Q,Cafe,raw,,2025-06-02,80,58,148", "T6,Q,Cafe,treated,decarboniser,2025-06-02,150,128,291")
    )
    numbers = (
        "SELECT label, total_hardness_mg_l_caco3, conductivity_us_cm_25c FROM v_sample WHERE label LIKE '_6' ORDER BY 1"
    )
    before, other = place.ask(numbers), place.number("T6")

    place.decide(place.number("R6"), "exchange")

    assert place.ask(numbers) == [("R6", 150.0, 291.0), ("T6", 80.0, 148.0)]
    assert {place.verdicts()[label] for label in ("R6", "T6")} <= {"ok", "note"}
    place.decide(other, "reopen")
    assert place.ask(numbers) == before
    assert {place.verdicts()[label] for label in ("R6", "T6")} == {"hold"}


def test_stage_date_site_and_point_are_corrected_and_stay_so_when_more_comes_in(place: Place) -> None:
    place.intake("v.csv", visits("R6,Q,Cafe,raw,,2025-06-02,80,58,148"))
    [(number,)] = place.ask("SELECT min(finding_id) FROM v_finding WHERE label = 'R6'")
    facts = (
        "SELECT stage, site, sampling_point, collected_at::DATE::VARCHAR, silica_mg_l FROM v_sample WHERE label = 'R6'"
    )

    outcome = place.decide(
        str(number), "correct", "--stage", "treated", "--date", "2025-06-03", "--site", "Q / Bar", "--point", "sink"
    )
    place.intake("more.csv", "Sample,Client,Site,Stage,Date,Silica (mg/L SiO2)\nR6,Q,Cafe,raw,2025-06-02,12\n")

    assert "raw → treated" in outcome["detail"]
    assert place.ask(facts) == [("treated", "Bar", "sink", "2025-06-03", 12.0)]
    place.decide(str(number), "reopen")
    assert place.ask(facts) == [("raw", "Cafe", "", "2025-06-02", 12.0)]


REPEATS: Final[dict[str, Callable[[Place], None]]] = {
    "next visit": lambda place: place.intake("k2.csv", KIT + "K-2,Q,Inn,raw,2025-03-18,7.5,249,200,526\n"),
    "same bottle": lambda place: place.intake("k2.csv", KIT + "K-1,Q,Inn,raw,2025-03-11,7.5,,,526\n"),
}
KIT: Final = (
    "Sample,Client,Site,Stage,Date,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)\n"
)
DOUBTFUL: Final = KIT + "K-1,Q,Inn,raw,2025-03-11,7.5,249,200,262\n"


@pytest.mark.parametrize("how", REPEATS)
def test_a_reading_asked_for_again_closes_its_question_without_a_new_one(place: Place, how: str) -> None:
    """262 µS/cm cannot carry 200 mg/L of alkalinity, which alone conducts about 1.54 times that; 526 can."""
    place.begun_with("k.csv", DOUBTFUL)
    place.decide(place.number("K-1"), "repeat")
    assert place.verdicts() == {"K-1": "hold"}
    waiting = place.command("findings", "--waiting-for", "repeat", "--json")
    assert {row["decision"] for row in json.loads(waiting.stdout)} == {"repeat"}

    REPEATS[how](place)

    assert "hold" not in place.verdicts().values()
    assert place.ask("SELECT count(*) FROM v_reading WHERE value = 262 AND counts") == [(0,)]
    assert json.loads(place.command("findings", "--waiting-for", "repeat", "--json").stdout) == []


def test_a_report_corrected_at_its_source_is_one_question(place: Place) -> None:
    rows = [f"L-{n},C,P{n},2025-05-0{n + 1},7.{n},{{}},104,29,118,6,269.1,{{}},140,18" for n in range(4)]
    place.intake("first.csv", IONS + "\n".join(row.format(1190 + n, 186) for n, row in enumerate(rows)) + "\n")
    place.intake("second.csv", IONS + "\n".join(row.format(1190 + n, 184 + n) for n, row in enumerate(rows)) + "\n")
    number = place.number("L-0")

    outcome = place.decide(number, "use-report")

    assert outcome["findings"] == 3  # of four samples one has the same figures in both
    chloride = "SELECT chloride_mg_l FROM v_sample ORDER BY label"
    assert place.ask(chloride) == [(184.0,), (185.0,), (186.0,), (187.0,)]
    assert place.ask("SELECT count(*) FROM v_finding WHERE is_current AND check_id = 'report-revision'") == [(0,)]
    place.decide(number, "use-report", "--report", "first.csv")
    assert place.ask(chloride) == [(186.0,)] * 4

    # A third report is a question of its own, about two samples; one that was put out before can count again.
    place.intake("third.csv", IONS + "\n".join(row.format(1190 + n, 188) for n, row in enumerate(rows[:2])) + "\n")
    assert {label for label, word in place.verdicts().items() if word == "hold"} == {"L-0", "L-1"}
    number = place.number("L-0")
    place.decide(number, "use-report")
    assert place.ask(chloride) == [(188.0,), (188.0,), (186.0,), (186.0,)]
    place.decide(number, "use-report", "--report", "second.csv")
    assert place.ask(chloride) == [(184.0,), (185.0,), (186.0,), (187.0,)]
    assert place.command("findings").exit_code == 0


def test_of_two_reports_in_one_file_the_line_counts_and_a_sample_that_is_out_waits_for_nothing(place: Place) -> None:
    row = "{},L-0,C,P,2025-05-01,7.5,1190,104,29,118,6,269.1,{},140,18\n"
    place.intake("r.csv", "Report number," + IONS + row.format("B-1", 186) + row.format("B-1A", 140))
    number, chloride = place.number("L-0"), "SELECT chloride_mg_l FROM v_sample"

    place.decide(number, "use-report")
    assert place.ask(chloride) == [(140.0,)]
    place.decide(number, "use-report", "--report", "r.csv:2")
    assert place.ask(chloride) == [(186.0,)]
    assert "r.csv:2, r.csv:3" in place.command("decide", number, "use-report", "--report", "9", *WHO).stderr

    place.decide(number, "reopen")
    place.decide("--sample", "L-0", "repeat")
    place.decide(place.number("L-0"), "reject")
    assert place.verdicts() == {"L-0": "reject"}
    assert place.command("findings").exit_code == 0


def test_several_findings_are_answered_at_once_or_none_is(place: Place) -> None:
    place.intake("k.csv", KIT + "".join(f"K-{n},Q,Inn {n},raw,2025-03-11,7.5,249,200,262\n" for n in range(3)))
    [first, second] = [place.number("K-0"), place.number("K-1")]

    refused = place.command("decide", first, second, "9999", "accept", *WHO)
    assert refused.exit_code == 2
    assert place.ask("SELECT count(*) FROM decision") == [(0,)]

    assert len(place.decide("--sample", "K-0", "accept")) == 2
    assert place.verdicts()["K-0"] == "note"
    place.decide("--check", "conductivity-vs-hardness", "accept")
    place.decide("--file", "k.csv", "accept")
    assert set(place.verdicts().values()) == {"note"}
    assert "no finding of these is open" in place.command("decide", "--file", "k.csv", "accept", *WHO).stderr
    place.decide("--sample", "K-0", "reopen")
    assert place.verdicts()["K-0"] == "hold"
    page = json.loads(place.command("summary", "--out", str(place.settings.out), "--json").stdout)
    assert [line["called"] for group in page["work"] for line in group["lines"]] == ["K-0"]
    place.decide("--sample", "K-0", "correct", "--factor", "2", "--analyte", "conductivity")
    assert place.ask("SELECT conductivity_us_cm_25c FROM v_sample WHERE label = 'K-0'") == [(524.0,)]


def test_the_history_of_a_sample_tells_who_decided_what_and_what_was_taken_back(place: Place) -> None:
    place.begun_with("k.csv", DOUBTFUL)
    number = place.number("K-1")
    place.decide(number, "correct", "--value", "526", "--unit", "µS/cm", "--analyte", "conductivity")
    place.decide(number, "reopen")

    text = place.command("history", "K-1").stdout
    table = json.loads(place.command("history", "K-1", "--json").stdout)

    order = ["taken in", "hold", "hold", "correct", "corrected", "hold", "hold", "reopen"]
    assert [row["event"] for row in table] == order
    assert "k.csv:2, 4 readings" in text
    assert f"correct (finding {number}), by A. Smith; taken back since" in text
    assert "conductivity 262 µS/cm → 526.0 µS/cm" in text
    assert "why: asked the laboratory" in text
    assert [row["state"] for row in table if row["event"] in ("correct", "reopen")] == ["taken back", ""]
    assert len(json.loads(place.command("history", "--since", "today", "--json").stdout)) == len(order)
    assert "Nothing happened since 2999-01-01." in place.command("history", "--since", "2999-01-01").stdout
    assert "is no day" in place.command("history", "--since", "gestern").stderr
    place.command("history", "K-1", "--out", str(place.folder / "trail.csv"))
    assert (place.folder / "trail.csv").read_text(encoding="utf-8").count("\n") == len(order) + 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("accept",), "say which findings"),
        (("1", "--check", "x", "accept"), "say which findings"),
        (("1", "accept", "reject"), "several actions"),
        (("1", "accepted"), 'did you mean "accept"'),
        (("--check", "conductivity-vs-hardnes", "accept"), 'did you mean "conductivity-vs-hardness"'),
        (("--file", "l.csv", "accept"), 'did you mean "k.csv"'),
        (("1", "accept", "--stage", "raw"), '--stage goes with "correct" only'),
        (("1", "correct", "--stage", "raww"), 'did you mean "raw"'),
        (("1", "correct", "--date", "3/4/25"), "Write it as 2025-03-14"),
        (("1", "correct", "--site", "In"), "is not one site"),
        (("1", "take", "--cause", "9"), "has no cause 9"),
        (("1", "exchange"), "is not clear"),
        (("1", "exchange", "--with", "K-1"), "with itself"),
        (("1", "use-report"), "only one report"),
        (("1", "reopen"), "was not answered"),
        (("1", "correct", "--unit", "kg", "--analyte", "alkalinity"), "is not clear"),
        (("1", "correct", "--factor", "0", "--analyte", "alkalinity"), "above 0"),
    ],
)
def test_an_answer_that_cannot_be_given_says_why_and_changes_nothing(
    held: Place, words: tuple[str, ...], said: str
) -> None:
    result = held.command("decide", *words, *WHO)

    assert result.exit_code == 2
    assert said in result.stderr
    assert "Nothing was changed." in result.stderr
    assert held.ask("SELECT count(*) FROM decision") == [(0,)]


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Place:
    return Place(tmp_path_factory.mktemp("held")).begun_with("k.csv", DOUBTFUL)


def test_who_decides_may_stand_in_the_settings(held: Place) -> None:
    file = held.folder / "mine.toml"
    file.write_text('by = "B. Jones"\n', encoding="utf-8")
    words = ["decide", "9999", "accept", "--why", "x", "--store", str(held.settings.store)]

    assert "there is no finding 9999" in CliRunner().invoke(main, [*words, "--settings", str(file)]).stderr
    assert "--by is empty" in CliRunner().invoke(main, words).stderr
