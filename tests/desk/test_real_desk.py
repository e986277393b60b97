"""The desk as it is used: in a process of its own, beside other processes, and in a browser."""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

pytestmark = pytest.mark.slow


def _module(name: str) -> Any:  # noqa: ANN401 - a module
    """Import a module of this folder by its place."""
    spec = importlib.util.spec_from_file_location(f"desk_{name}", Path(__file__).parent / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


SERVING = _module("serving")
_ANSWERED = "SELECT finding_id FROM v_finding WHERE decision IS NOT NULL"
_HOLD = (
    "import sys, time\nfrom pathlib import Path\nfrom pipeline.store.database import Store\n"
    "with Store(Path(sys.argv[1])) as store:\n    print('held', flush=True)\n    time.sleep(float(sys.argv[2]))\n"
)


@pytest.fixture
def store(planted: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(planted / "out", tmp_path / "out")) / "kettlestone.duckdb"


@pytest.fixture
def serve(store: Path) -> Iterator[Callable[[], Any]]:
    """Give a function that opens a desk on the store and comes in."""
    desks = []

    def opened() -> Any:  # noqa: ANN401 - a ServedDesk
        desk = SERVING.ServedDesk(store)
        desks.append(desk)
        desk.come_in()
        return desk

    yield opened
    for desk in desks:
        desk.close()


def decided(store: Path) -> set[int]:
    """Give the findings that are answered: by a decision of their own, or by one on the same question."""
    with Store(store, read_only=True) as opened:
        return {number for (number,) in opened.connection.execute(_ANSWERED).fetchall()}


def waiting(desk: Any) -> list[int]:  # noqa: ANN401 - a ServedDesk
    return [int(number) for number in re.findall(r'name="number" value="(\d+)"', desk.get("/findings").text)]


def test_killing_the_desk_in_a_decision_loses_nothing_that_was_confirmed(store: Path, serve: Callable[[], Any]) -> None:
    confirmed: set[int] = set()
    for round_ in range(2):
        desk = serve()
        killer = threading.Timer(0.8 + 0.5 * round_, desk.kill)
        killer.start()
        try:
            for number in waiting(desk):
                done = desk.post(
                    f"/finding/{number}/answer", {"action": "reject", "seen": "", "why": f"round {round_}"}
                )
                if done.status == 302:
                    confirmed.add(number)
        except OSError:
            pass  # killed
        killer.join()

        assert confirmed <= decided(store)
    sound = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "-m", "pipeline.cli", "doctor", "--store", str(store)], capture_output=True, check=False
    )
    assert sound.returncode in (0, 1), sound.stdout


def test_a_store_in_use_is_said_with_the_process_and_the_answer_can_be_sent_again(
    store: Path, serve: Callable[[], Any]
) -> None:
    desk = serve()
    [number, *_] = waiting(desk)
    form = {"action": "accept", "seen": "", "why": "kept through the wait"}
    with subprocess.Popen([sys.executable, "-c", _HOLD, str(store), "14"], stdout=subprocess.PIPE) as other:  # noqa: S603
        assert other.stdout is not None
        assert other.stdout.readline()
        page, answer = desk.get("/findings"), desk.post(f"/finding/{number}/answer", form)

        for said in (page, answer):
            assert said.status == 503
            assert f"process {other.pid}" in said.text
        assert 'value="kept through the wait"' in answer.text
        assert desk.get("/upload").status == 200  # needs no store
    assert desk.post(f"/finding/{number}/answer", form).status == 302
    assert number in decided(store)


def test_two_desks_an_intake_and_a_snapshot_lose_no_answer(store: Path, serve: Callable[[], Any]) -> None:
    desks = [serve(), serve()]
    numbers = waiting(desks[0])
    confirmed: set[int] = set()

    def work(desk: Any, own: list[int]) -> None:  # noqa: ANN401 - a ServedDesk
        for number in own:
            while (answer := desk.post(f"/finding/{number}/answer", {"action": "reject", "seen": ""})).status == 503:
                time.sleep(0.1)
            if answer.status == 302:
                confirmed.add(number)

    people = [threading.Thread(target=work, args=(desk, numbers[n::2])) for n, desk in enumerate(desks)]
    for person in people:
        person.start()
    sheet = b"Sample,Client,Site,pH,Conductivity (\xc2\xb5S/cm)\nU-1,Cafe,S9,7.2,510\n"
    sent = desks[0].upload("../new.csv", sheet)
    copied = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "-m", "pipeline.cli", "snapshot", str(store.parent / "copy.duckdb"), "--store", str(store)],
        capture_output=True,
        check=False,
    )
    for person in people:
        person.join()
    while "http-equiv" in (shown := desks[0].get(sent.location).text):
        time.sleep(0.2)

    assert confirmed == set(numbers)
    assert set(numbers) <= decided(store)
    assert "/batch/" in shown, shown
    assert copied.returncode == 0, copied.stderr
    with Store(store, read_only=True) as opened:
        named = opened.connection.execute("SELECT name FROM source_file WHERE name LIKE '%new.csv'").fetchall()
    assert named == [("new.csv",)]


@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the browser chromium")
def test_a_person_works_through_all_of_it_by_keyboard(store: Path, tmp_path: Path) -> None:
    """At most 160 keystrokes for 40 findings: four for each. Every page holds the rules for accessible pages."""
    served = SERVING.ServedDesk(store)
    browser = _module("browser").Chromium(tmp_path / "profile")
    try:
        browser.go(served.link)
        browser.go(f"{served.home}/findings")
        count = int(browser.script("document.querySelectorAll('[name=number]').length"))
        with Store(store, read_only=True) as opened:
            [(batch,)] = opened.connection.execute("SELECT batch_id FROM batch").fetchall()
        for address in ("/", "/findings", f"/batch/{batch}", "/finding/1", "/sample/E-2", "/site?name=S2", "/sites",
                        "/enter", "/upload", "/control", "/questions?name=import-quality", "/history"):  # fmt: skip
            for width in (1280, 768, 360):
                browser.width(width)
                browser.go(served.home + address)
                assert browser.script("document.documentElement.scrollWidth <= innerWidth"), (address, width)
            assert browser.violations() == [], address
        browser.go(f"{served.home}/findings")
        browser.keys = 0
        browser.press("w")
        while browser.script("document.querySelector('[data-key=t]') !== null"):
            browser.press("t" if browser.script("!document.querySelector('[data-key=t]').disabled") else "a")
            assert browser.keys <= 4 * count
        assert "0 findings wait" in browser.script("document.querySelector('h1').textContent")
        browser.without_scripts()
        browser.go(f"{served.home}/finding/1")
        browser.press("u", modifiers=1)  # Alt: the access key takes back what was answered
        browser.go(f"{served.home}/findings")
        assert int(browser.script("document.querySelectorAll('[name=number]').length")) > 0
    finally:
        browser.close()
        served.close()
