"""Which of day and month comes first in the dates of a file is answered once, and later files of its sender follow."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.desk.app import create_desk
from pipeline.intake import run
from pipeline.settings import Settings
from pipeline.store.database import Store
from tests.desk.conftest import Visitor

if TYPE_CHECKING:
    from click.testing import Result

pytestmark = pytest.mark.common_practice  # no authority says how a sender writes dates

HEAD: Final = "Sample,Client,Site,Sampled on,Time,Analysed on,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),pH\n"
ROWS: Final = {
    # Half past midnight in London is the day before in UTC: the clock stays beside the day that is put right.
    "april": (("03/04/2026", "00:30", "03/06/2026"), ("04/05/2026", "09:15", "04/07/2026")),
    "may": (("05/06/2026", "10:00", "05/08/2026"), ("06/07/2026", "11:00", "06/08/2026")),
    "june": (("07/08/2026", "10:00", "07/09/2026"), ("07/25/2026", "11:00", "07/26/2026")),
}
MOMENTS: Final = "SELECT label, strftime(collected_at, '%Y-%m-%d %H:%M') FROM sample ORDER BY label"


def sheet(month: str) -> str:
    rows = enumerate(ROWS[month], 1)
    return HEAD + "".join(
        f"{month[0].upper()}-{n},Corner Cup,Mill {n},{day},{clock},{later},{180 + n},{150 + n + len(month)},7.{n}\n"
        for n, (day, clock, later) in rows
    )


class Bench:
    """A store into which sheets come month by month."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings

    def intake(self, month: str) -> Any:  # noqa: ANN401 - JSON
        """Take the sheet of a month in, and give its summary."""
        path = self.settings.out.parent / f"{month}.csv"
        path.write_text(sheet(month), encoding="utf-8")
        return run([path], self.settings).summary

    def decide(self, *words: str) -> Result:
        """Answer by the command."""
        store = ("--store", str(self.settings.store), "--by", "A. Smith", "--why", "an American sheet")
        return CliRunner().invoke(main, ["decide", *words, *store])

    def ask(self, sql: str) -> list[tuple[Any, ...]]:
        """Ask the store."""
        with Store(self.settings.store, read_only=True) as store:
            return store.connection.execute(sql).fetchall()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = tmp_path_factory.mktemp("dates")
    bench = Bench(Settings(out=folder / "out", store=folder / "s.duckdb", time_zone="Europe/London"))
    told = bench.intake("april")
    assert [(one["file"].endswith("april.csv"), one["number"]) for one in told["dates"]] == [(True, 1)]
    return bench


def test_the_question_is_asked_once_for_the_file_on_the_desk_and_answered_by_one_key(bench: Bench) -> None:
    visitor = Visitor(create_desk(bench.settings, "A. Smith"))
    [(batch,)] = bench.ask("SELECT batch_id FROM batch")

    assert visitor.text(f"/batch/{batch}").count("does the day or the month come first") == 1
    assert 'value="month-first" accesskey="d"' in visitor.text("/finding/1")
    assert visitor.answer(1, "month-first").status_code == 302
    assert "does the day or the month come first" not in visitor.text(f"/batch/{batch}")
    assert bench.ask(MOMENTS) == [("A-1", "2026-03-04 00:30"), ("A-2", "2026-04-05 08:15")]
    assert bench.ask("SELECT strftime(analysed_on, '%Y-%m-%d') FROM sample ORDER BY label") == [
        ("2026-03-06",),
        ("2026-04-07",),
    ]
    assert visitor.answer(1, "reopen").status_code == 302
    assert bench.ask(MOMENTS) == [("A-1", "2026-04-02 23:30"), ("A-2", "2026-05-04 08:15")]


def test_later_files_of_the_sender_are_read_so_and_what_their_own_dates_prove_stays(bench: Bench) -> None:
    done = bench.decide("--file", "april.csv", "correct", "--date-order", "month-first", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)[0]["detail"] == "2 dates of the file read month first"

    followed, proved = bench.intake("may"), bench.intake("june")

    assert dict(bench.ask(MOMENTS)) == {
        "A-1": "2026-03-04 00:30",
        "A-2": "2026-04-05 08:15",
        "M-1": "2026-05-06 09:00",
        "M-2": "2026-06-07 10:00",
        "J-1": "2026-07-08 09:00",
        "J-2": "2026-07-25 10:00",
    }
    assert followed["dates"] == proved["dates"] == []
    assert {one["problem"] for one in followed["notices"]} >= {"answer-followed"}
    assert {one["problem"] for one in followed["notices"]} & {"date-ambiguous"} == set()
    assert bench.ask(
        "SELECT count(*) FROM v_finding WHERE is_current AND check_id = 'date-form' AND decision IS NULL"
    ) == [(0,)]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("1", "reject", "--date-order", "day-first"), '--date-order goes with "correct" only'),
        (("1", "correct", "--date-order", "month-first"), "read month first already"),
        (("1", "correct", "--date-order", "day-first", "--stage", "raw"), "nothing else goes with it"),
        (("--check", "date-form", "accept"), "no finding of these is open"),
    ],
)
def test_an_order_that_says_nothing_new_or_too_much_is_refused(bench: Bench, words: tuple[str, ...], said: str) -> None:
    done = bench.decide(*words)

    assert done.exit_code == 2
    assert said in done.stderr


def test_a_sheet_put_right_at_its_source_tells_of_the_same_samples(bench: Bench) -> None:
    """April again, its dates as nobody can mistake them: what the answer had said already."""
    right = sheet("april").replace("03/04/2026", "2026-03-04").replace("04/05/2026", "2026-04-05")
    (bench.settings.out.parent / "right.csv").write_text(right.replace("/0", "-0"), encoding="utf-8")

    told = run([bench.settings.out.parent / "right.csv"], bench.settings).summary

    assert told["samples"]["total"] == 2
    assert bench.ask("SELECT count(*) FROM sample WHERE label LIKE 'A-%'") == [(2,)]
    assert "readings-repeated" in {one["problem"] for one in told["notices"]}
