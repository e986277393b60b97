"""One answer settles a column; what cannot be answered so is refused whole."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.asking.answers import read_answers
from pipeline.cli import main
from pipeline.errors import KettlestoneError
from pipeline.store.database import Store

if TYPE_CHECKING:
    from pathlib import Path

LIST = "Sample,pH,Calcium,Magnesium,Hardness,Chloride (mg/L)\nA,7.6,80,12,250,20\nB,7.5,90,14,283,25\n"


class Bench:
    """A folder with files and a store, and the command."""

    def __init__(self, folder: Path) -> None:
        """Remember the folder."""
        self.folder = folder

    def run(self, *words: str, given: str | bytes | None = None) -> Any:  # noqa: ANN401 - click's result
        """Run a command on the store of the folder."""
        store = ["--store", str(self.folder / "s.duckdb")]
        out = ["--out", str(self.folder / "out")] if words[0] == "intake" else []
        return CliRunner().invoke(main, [*words, *store, *out], input=given)

    def intake(self, text: str, *options: str, name: str = "list.csv") -> Any:  # noqa: ANN401 - the summary
        """Take a file in and give its summary, or what was said where nothing was stored."""
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        done = self.run("intake", str(path), "--json", "--by", "A. Smith", *options)
        return json.loads(done.stdout) if done.exit_code in (0, 1) else (done.exit_code, done.stderr)

    def values(self, sample: str) -> dict[str, float]:
        """Give the stored readings of a sample."""
        with Store(self.folder / "s.duckdb") as store:
            found = store.connection.execute(
                "SELECT analyte, value FROM v_reading WHERE label = ? AND value IS NOT NULL", [sample]
            ).fetchall()
        assert len(dict(found)) == len(found)
        return dict(found)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


ANSWERS = ("--unit", "calcium=mg/L", "--unit", "Magnesium=mg/l", "--unit", "Gesamthärte=mg/L CaCO3")


def test_answers_by_quantity_heading_and_language_settle_their_columns(bench: Bench) -> None:
    summary = bench.intake(LIST, *ANSWERS)

    assert (summary["coverage"]["used"], summary["coverage"]["waiting"]) == (10, [])
    assert bench.values("A") == {
        "ph": 7.6,
        "calcium": 80.0,
        "magnesium": 12.0,
        "total_hardness": 250.0,
        "chloride": 20.0,
    }


def test_a_stored_file_gets_what_waited_and_nothing_twice(bench: Bench) -> None:
    """The list was taken in without units; the answers come later, one after the other."""
    first = bench.intake(LIST)
    second = bench.intake(LIST, "--unit", "calcium=mg/L")
    third = bench.intake(LIST, *ANSWERS)
    again = bench.intake(LIST, *ANSWERS)

    counts = [one["entries"] for one in (first, second, third, again)]
    assert [(one["read"], one["accepted"], one["set_aside"]) for one in counts] == [
        (10, 4, 6),
        (2, 2, 0),
        (4, 4, 0),
        (0, 0, 0),
    ]
    assert set(bench.values("B")) == {"ph", "calcium", "magnesium", "total_hardness", "chloride"}
    assert (second["samples"]["unjudged"], third["samples"]["ok"]) == (2, 2)


def test_the_next_file_of_the_shape_needs_no_answer_until_it_is_forgotten(bench: Bench) -> None:
    bench.intake(LIST, *ANSWERS)
    shape = json.loads(bench.run("layout", "remembered", "--json").stdout)[0]["shape"]

    second = bench.intake(LIST.replace("A,", "C,").replace("B,", "D,"), name="march.csv")
    forgotten = bench.run("layout", "forget", shape[:5])
    third = bench.intake(LIST.replace("A,", "E,").replace("B,", "F,"), name="april.csv")

    assert second["coverage"]["waiting"] == []
    told = [row["message"] for row in second["notices"] if row["problem"] == "unit-answered"]
    assert "by A. Smith for this shape" in told[0]
    assert "calcium = mg/L" in forgotten.stdout
    assert len(third["coverage"]["waiting"]) == 3
    assert json.loads(bench.run("layout", "remembered", "--json").stdout) == []


def test_a_file_whose_headings_changed_is_asked_again_and_told_why(bench: Bench) -> None:
    bench.intake(LIST, *ANSWERS)

    summary = bench.intake(LIST.replace("Sample,", "Point,").replace("A,", "G,"), name="may.csv")

    assert len(summary["coverage"]["waiting"]) == 3
    told = next(row["message"] for row in summary["notices"] if row["problem"] == "shape-changed")
    assert "new: Point; gone: Sample" in told
    assert '--unit "calcium=mg/L"' in told


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("chloride=mg/L",), 'the column "Chloride (mg/L)" has its unit, "mg/L"'),
        (("pH=mg/L",), '"mg/L" does not measure ph'),
        (("calcium=furlongs",), '"furlongs" is not known'),
        (("calcium=µS/cm",), '"µS/cm" does not measure calcium'),
        (("calcium=gr",), "more than one meaning"),
        (("calcium",), "does not say which unit"),
        (("calcium=mg/L", "calcium=mmol/L"), "contradict each other"),
        (("Hardness=°dH", "total hardness=°f"), "contradict each other"),
        (("Kalzium=mg/L", "Zorb=mg/L"), "no column that waits is called so"),
    ],
)
def test_an_answer_that_cannot_be_is_refused_and_nothing_is_stored(
    bench: Bench, options: tuple[str, ...], said: str
) -> None:
    code, told = bench.intake(LIST, *(word for option in options for word in ("--unit", option)))

    assert code == 2
    assert said in told
    assert "Nothing was changed." in told
    assert not (bench.folder / "out").exists() or not list((bench.folder / "out").glob("2*"))
    assert json.loads(bench.run("layout", "remembered", "--json").stdout or "[]") == []


def test_the_form_of_an_alkalinity_is_an_answer_too(bench: Bench) -> None:
    """183 mg/L of bicarbonate are 150 mg/L as CaCO3: 61.017 against 50.043 for each charge [IUPAC2021]."""
    text = "Sample,pH,Alkalinity (mg/L)\nA,7.6,183\n"

    code, told = bench.intake(text, "--unit", "alkalinity=°dH")
    bench.intake(text, "--unit", "alkalinity=mg/L as HCO3")

    assert (code, "has its unit" in told) == (2, True)
    assert bench.values("A")["alkalinity"] == pytest.approx(183 * 50.043 / 61.017, rel=1e-4)


def test_the_form_of_stored_readings_is_left_to_a_decision(bench: Bench) -> None:
    text = "Sample,pH,Alkalinity (mg/L)\nA,7.6,183\n"
    bench.intake(text)

    code, told = bench.intake(text, "--unit", "alkalinity=mg/L as HCO3")

    assert (code, "kettlestone decide N correct" in told) == (2, True)


def test_one_answer_serves_every_row_of_a_long_table(bench: Bench) -> None:
    text = "Probe;Parameter;Messwert\nP1;pH;7,4\nP1;Calcium;80\nP1;Natrium;12\nP2;Calcium;95,5\n"

    summary = bench.intake(text, "--unit", "Calcium=mg/L")

    assert bench.values("P2") == {"calcium": 95.5}
    assert [one["cells"] for one in summary["coverage"]["waiting"]] == [1]


def test_standard_input_is_read_and_archived_like_a_file(bench: Bench) -> None:
    done = bench.run("intake", "-", "--unit", "calcium=mg/L", "--json", given=LIST)
    summary = json.loads(done.stdout)

    assert [file["name"] for file in summary["files"]] == ["standard input"]
    assert bench.values("A")["calcium"] == 80.0
    kept = bench.folder / "archive" / summary["files"][0]["file_sha256"][:2] / summary["files"][0]["file_sha256"]
    assert kept.read_text(encoding="utf-8") == LIST
    assert bench.run("intake", "-", given=b"").exit_code == 2


def test_an_answer_says_what_it_is_of() -> None:
    answers = read_answers(["total hardness=°dH", "Leitfähigkeit = µS/cm", "My column=mg/L"], "A. Smith")

    assert [one.analyte for one in answers] == ["total_hardness", "conductivity", ""]
    with pytest.raises(KettlestoneError, match="calcium=mg/L"):
        read_answers(["=mg/L"])


UNDETECTED = (
    "Probe;Parameter;Ergebnis;Einheit\nA;pH-Wert;7,6;\nA;Blei;n.n.;µg/l\nA;Nitrat;BDL;mg/l\nA;Eisen;<0,5 %;mg/l\n"
    "B;pH-Wert;7,4;\nB;Blei;3,5;µg/l\nB;Nitrat;u.B.;mg/l\nB;Eisen;<0,02;mg/l\n"
)


def test_the_limit_of_what_was_not_detected_is_asked_once_for_each_quantity(bench: Bench) -> None:
    """The answer may come later, in any unit of the quantity; a unit in one cell is no question about its column."""
    first = bench.intake(UNDETECTED)
    second = bench.intake(UNDETECTED, "--unit", "Blei=<1,125 µg/L", "--unit", "nitrate=<0.5 mg/L")
    with Store(bench.folder / "s.duckdb") as store:
        found = store.connection.execute(
            "SELECT label, analyte, \"limit\" FROM v_reading WHERE qualifier = '<' ORDER BY 1, 2"
        ).fetchall()

    assert [(one["cells"], '--unit "' in one["question"]) for one in first["coverage"]["waiting"]] == [
        (1, True),
        (2, True),
    ]
    assert [row["problem"] for row in first["set_aside"]].count("unit-in-cell") == 1
    assert second["coverage"] == second["coverage"] | {"cells": 3, "used": 3, "waiting": []}
    assert found == [
        ("A", "lead", pytest.approx(0.001125)), ("A", "nitrate", 0.5), ("B", "iron", 0.02), ("B", "nitrate", 0.5)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("answer", "why"),
    [("calcium=<0.5 °C", "does not measure"), ("chloride=<0.5 mg/L", "without a limit"), ("x=<mg/L", "is not known")],
)
def test_a_limit_that_nothing_waits_for_is_refused(bench: Bench, answer: str, why: str) -> None:
    code, said = bench.intake(LIST, *ANSWERS, "--unit", answer)

    assert (code, why in said) == (2, True), said


DROPS = "Client,Date,Sample,GH drops,KH drops,EC (µS/cm)\nBar,2026-03-02,A,14,9,512\nBar,2026-03-02,B,5,2,348\n"


def test_what_a_drop_is_worth_is_answered_once_for_each_test(bench: Bench) -> None:
    """14 drops of 1 °dH are 14 × 17.848 mg/L as CaCO3, 9 of 1 °f are 90 (DIN 38409-6, NF T90-003)."""
    first = bench.intake(DROPS)
    second = bench.intake(DROPS, "--unit", "GH drops=1 °dH per drop", "--unit", "KH drops=french-degree")
    later = bench.intake(DROPS.replace(",A,", ",C,").replace(",B,", ",D,").replace("-03-", "-04-"), name="april.csv")

    questions = [one["question"] for one in first["coverage"]["waiting"]]
    assert [one.partition(" under ")[0] for one in questions] == ["What is a drop worth"] * 2
    assert [(one["entries"]["accepted"], one["entries"]["set_aside"]) for one in (first, second, later)] == [
        (2, 4),
        (4, 0),
        (6, 0),
    ]
    assert bench.values("A") == {
        "total_hardness": pytest.approx(14 * 17.848, rel=1e-4),
        "alkalinity": pytest.approx(90.0),
        "conductivity": 512.0,
    }
    assert bench.values("D")["alkalinity"] == pytest.approx(20.0)


def test_a_drop_is_worth_twice_as_much_in_half_the_water(bench: Bench) -> None:
    sheet = "Sample,Drops GH,Water ml\nA,14,5\nB,7,10\n"

    refused = bench.intake(sheet, "--unit", "hardness=1 °dH/drop")
    bench.intake(sheet, "--unit", "hardness=1 °dH/drop at 10 mL")

    assert refused[0] == 2
    assert "leaves open what sample volume" in refused[1]
    assert bench.values("A")["total_hardness"] == pytest.approx(2 * 14 * 17.848, rel=1e-4)
    assert bench.values("B")["total_hardness"] == pytest.approx(7 * 17.848, rel=1e-4)


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        ("GH drops=°dH", "drops are counted"),
        ("EC (µS/cm)=1 °dH per drop", "no counted drops wait"),
    ],
)
def test_an_answer_that_is_none_for_drops_is_refused(bench: Bench, answer: str, why: str) -> None:
    code, said = bench.intake(DROPS, "--unit", answer)

    assert (code, why in " ".join(said.split())) == (2, True)


@pytest.mark.parametrize(("answer", "why"), [("GH=1 µS/cm per drop", "does not measure"), ("GH=german", "kit list")])
def test_what_no_drop_is_worth_is_no_answer(answer: str, why: str) -> None:
    with pytest.raises(KettlestoneError, match=why):
        read_answers([answer])


def test_a_unit_and_a_limit_of_one_name_are_both_kept(bench: Bench) -> None:
    sheet = "Sample,pH,Lead\nA,7.5,3\nB,7.6,nd\n"
    bench.intake(sheet, "--unit", "lead=µg/L", "--unit", "lead=<1 µg/L")

    later = bench.intake(sheet.replace("A,", "C,").replace("B,", "D,"), name="april.csv")

    assert (later["coverage"]["used"], later["coverage"]["waiting"]) == (4, [])


def test_a_temperature_in_which_water_would_be_ice_is_in_no_such_unit(bench: Bench) -> None:
    """14 °F are -10 °C; water freezes at 0 °C under the pressure of the air."""
    summary = bench.intake("Sample,pH,T\nA,7.5,14.1\nB,7.6,13.2\n")

    assert (summary["coverage"]["used"], summary["coverage"]["waiting"]) == (4, [])
    assert bench.values("A")["temperature"] == 14.1
