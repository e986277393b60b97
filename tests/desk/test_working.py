"""Working through what waits: every answer is the one that `decide` keeps, and the next finding comes by itself."""

from __future__ import annotations

import html
import re
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.desk.conftest import Visitor


def plain(text: str) -> str:
    """Leave the marks of a page out."""
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)))


def test_every_page_is_there(reader: Visitor) -> None:
    [(batch,)] = reader.ask("SELECT batch_id FROM batch")
    [(sample,)] = reader.ask("SELECT sample_id FROM sample WHERE label = 'E-2'")
    [number, *_] = reader.waiting()
    pages = {
        "/": "Work through what waits",
        f"/batch/{batch}": "Who to call",
        "/findings": "One answer to many",
        "/findings?all=1": "Only what waits",
        f"/findings?batch={batch}": "Only:",
        f"/finding/{number}": "What may have happened",
        f"/sample/{sample}": "What the other readings make of it",
        "/history?since=today": "taken in",
        "/sites": "Cafe",
        "/site?name=Cafe / S2": "Course of the site",
        "/enter?site=Cafe / S2": "last:",
        "/control": "no control whose true value",
        "/questions": "Ask",
        "/questions?name=flag-rate-by-check": "kettlestone query flag-rate-by-check",
        "/upload": "At most 20 files and 50 MB",
    }

    for address, words in pages.items():
        assert words in reader.text(address), address
    assert reader.get("/finding/999999").status_code == 400
    assert reader.get("/questions?name=../../etc/passwd").status_code == 400
    assert reader.get("/nothing").status_code == 404


def test_the_page_of_a_finding_shows_what_was_written_beside_its_cause(reader: Visitor) -> None:
    [(number,)] = reader.ask(
        "SELECT min(finding_id) FROM v_finding WHERE label = 'E-2' AND is_current AND severity <> 'note'"
    )

    page = reader.text(f"/finding/{number}")
    assert '<span class="raw">0.53</span>' in page
    assert "slips.csv:11" in page
    assert "530 µS/cm" in page  # mS/cm under a heading of µS/cm: a thousand times as much
    for key in "atrx":
        assert f'accesskey="{key}"' in page


def test_the_next_finding_comes_by_itself_until_nothing_waits(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of()
    waiting = visitor.waiting()

    number, answered = waiting[0], 0
    while number:
        done = visitor.answer(number, "accept", mates="1")
        assert done.status_code == 302
        answered += 1
        found = re.search(r"/finding/(\d+)", done.location)
        number = int(found[1]) if found else 0
        assert answered < len(waiting)
    assert visitor.waiting() == []
    assert "Released: nothing waits." in visitor.text("/")
    assert visitor.ask("SELECT count(*) FROM v_sample WHERE current_verdict IN ('hold', 'reject')") == [(0,)]
    assert {by for (by,) in visitor.ask("SELECT DISTINCT decided_by FROM decision")} == {"A. Smith"}


def test_an_answer_is_that_of_the_command(desk_of: Callable[..., Visitor]) -> None:
    """The same answers, by page and by command, leave the same decisions, corrections and verdicts."""
    told = []
    asked = (
        "SELECT action, why, detail FROM decision ORDER BY decision_id",
        "SELECT label, analyte, value, unit FROM v_reading WHERE decision_id IS NOT NULL AND counts ORDER BY 1, 2",
        "SELECT label, current_verdict FROM v_sample ORDER BY 1",
    )
    for by_page in (True, False):
        visitor = desk_of()
        store = str(visitor.app.extensions["kettlestone_desk"].settings.store)
        for label, action, more in (("E-2", "take", {}), ("E-1", "correct", {"value": "7.4"}), ("E-3", "repeat", {})):
            [(number,)] = visitor.ask(
                "SELECT min(finding_id) FROM v_finding WHERE label = ? AND is_current AND severity <> 'note'", label
            )
            if by_page:
                assert visitor.answer(number, action, why="asked", **more).status_code == 302
                continue
            words = [part for name, value in more.items() for part in (f"--{name}", value)]
            done = CliRunner().invoke(
                main, ["decide", str(number), action, "--by", "A. Smith", "--why", "asked", *words, "--store", store]
            )
            assert done.exit_code == 0, done.output
        told.append([visitor.ask(sql) for sql in asked])

    assert told[0] == told[1]
    assert ("E-2", "conductivity", 530.0, "uS/cm") in told[0][1]
    assert dict(told[0][2])["E-2"] in ("ok", "note")


def test_one_answer_settles_a_whole_file_and_can_be_taken_back(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of()
    [(number,)] = visitor.ask(
        "SELECT finding_id FROM v_finding WHERE check_id = 'ambiguous-unit' AND is_current LIMIT 1"
    )
    held = "SELECT count(*) FROM v_sample WHERE label LIKE 'F-%' AND current_verdict = 'hold'"
    [(before,)] = visitor.ask(held)

    done = visitor.answer(number, "correct", basis="CaCO3", why="asked the laboratory")
    assert done.status_code == 302, plain(done.text)
    assert before > 0
    assert visitor.ask(held) == [(0,)]
    assert "Take back" in visitor.text(f"/finding/{number}")
    assert visitor.post(f"/finding/{number}/answer", {"action": "reopen", "why": "too soon"}).status_code == 302
    assert visitor.ask(held) == [(before,)]


def test_many_are_answered_at_once(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of()
    waiting = visitor.waiting()
    [(check, count), *_] = visitor.ask(
        "SELECT check_id, count(*) FROM v_finding WHERE is_current AND decision IS NULL AND severity <> 'note' "
        "GROUP BY 1 ORDER BY 2 DESC, 1"
    )

    stale = visitor.post("/findings/answer", {"whole": check, "count": "999", "action": "accept"})
    none = visitor.post("/findings/answer", {"action": "accept"})
    assert (stale.status_code, none.status_code) == (409, 400)
    assert visitor.waiting() == waiting
    assert (
        visitor.post("/findings/answer", {"whole": check, "count": str(count), "action": "accept"}).status_code == 302
    )
    left = visitor.waiting()
    assert len(left) <= len(waiting) - count
    assert visitor.post("/findings/answer", {"number": [str(n) for n in left], "action": "reject"}).status_code == 302
    assert visitor.waiting() == []


def test_whoever_answers_second_is_told(desk_of: Callable[..., Visitor]) -> None:
    """Two pages show the same finding; the answer that came first stands until the second person has seen it."""
    visitor = desk_of()
    [number, *_] = visitor.waiting()
    address = f"/finding/{number}/answer"

    assert visitor.post(address, {"seen": "", "action": "accept", "why": "first"}).status_code == 302
    second = visitor.post(address, {"seen": "", "action": "reject", "why": "second"})
    again = visitor.post(address, {"seen": "", "action": "accept", "why": "pressed twice"})
    assert second.status_code == 409
    assert "first" in second.text
    assert again.status_code == 302
    assert visitor.ask("SELECT action, why FROM decision") == [("accept", "first")]


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"action": "correct"}, "a correction needs its value"),
        ({"action": "correct", "value": "nan"}, "is no number"),
        ({"action": "take", "cause": "99"}, "no cause 99"),
        ({"action": "erase"}, "Say one of"),
        ({"action": "correct", "unit": "mS/cm", "why": ""}, "Say why."),
        ({"action": "use-report"}, "only one report"),
    ],
)
def test_an_answer_that_cannot_be_is_refused_on_its_page(reader: Visitor, form: dict[str, str], said: str) -> None:
    [(number,)] = reader.ask(
        "SELECT min(finding_id) FROM v_finding WHERE label = 'E-2' AND is_current AND severity <> 'note'"
    )

    answer = reader.post(f"/finding/{number}/answer", {"seen": "", "why": "typed before", **form})
    assert answer.status_code == 400
    assert said in answer.text
    assert ('value="typed before"' in answer.text) == ("why" not in form)
    assert reader.ask("SELECT count(*) FROM decision") == [(0,)]


def test_what_is_typed_is_shown_as_typed(desk_of: Callable[..., Visitor]) -> None:
    """A script, a formula and signs that turn the order of letters, in every field that is kept, are only text."""
    visitor = desk_of()
    [number, *_] = visitor.waiting()
    hostile = "<script>alert(1)</script>\u202e=HYPERLINK(1)\x1b[2J"

    assert visitor.post("/who", {"by": hostile}).status_code == 302
    assert visitor.answer(number, "accept", why=hostile).status_code == 302
    assert visitor.post("/enter", {"site": hostile, "hardness": "9"}).status_code == 400
    for address in ("/", f"/finding/{number}", "/findings?all=1", "/history?since=today", "/sites"):
        page = visitor.text(address)
        assert "<script>alert" not in page
        assert not set(page) & {"\u202e", "\x1b"}
    assert "&lt;script&gt;alert(1)" in visitor.text("/history?since=today")


def test_a_visit_is_entered_as_by_the_command(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of()
    script = "<script>alert(1)</script>=1+2"
    form = {"site": script, "client": script, "note": script, "hardness": "12", "alkalinity": "9", "ph": "7,3"}

    refused = visitor.post("/enter", {**form, "ec": "540", "ph": "73"})
    done = visitor.post("/enter", form)
    assert refused.status_code == 400
    assert 'value="540"' in refused.text
    assert done.status_code == 302
    page = visitor.text(done.location)
    assert "Entered: &lt;script&gt;alert(1)" in page
    assert "<script>alert" not in page
    [(hardness, ph)] = visitor.ask("SELECT total_hardness_mg_l_caco3, ph FROM v_sample WHERE site = ?", script)
    assert ph == 7.3
    assert hardness == pytest.approx(12 * 17.848, rel=1e-3)  # DIN 38409-6: 1 °dH is 0.1785 mmol/L
    assert visitor.ask("SELECT count(*) FROM advice WHERE site = ?", script)[0][0] > 0
