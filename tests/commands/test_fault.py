"""Whatever ends a command early: one paragraph, the code that fits, and a log where the program is at fault."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main

pytestmark = pytest.mark.faults

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

ROW = "Sample,pH,Calcium (mg/L)\nA-1,7.4,62\n"
ENDLESS = "SELECT count(*) FROM range(100000000000), range(1000)"


def _broken(*_: object, **__: object) -> None:
    raise ZeroDivisionError("a table of no\nrows")


def _paragraph(result: Result) -> str:
    assert isinstance(result.exception, SystemExit)
    assert "Traceback" not in result.output
    assert "\n\n" not in result.stderr.strip()
    return result.stderr


def test_a_fault_before_anything_is_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.csv").write_text(ROW, encoding="utf-8")
    monkeypatch.setattr("pipeline.intake.discover", _broken)

    result = CliRunner().invoke(main, ["intake", str(tmp_path / "a.csv"), "--out", str(tmp_path / "out")])

    said = _paragraph(result)
    (log,) = (tmp_path / "out").glob("fault-*.log")
    assert result.exit_code == 3
    assert said.startswith("kettlestone: a fault of the program: ZeroDivisionError: a table of no rows (")
    assert "Nothing was stored" in said
    assert str(log) in said
    assert "Run the command again" in said
    assert "Traceback (most recent call last)" in log.read_text(encoding="utf-8")


def test_a_fault_after_the_batch_was_stored_names_the_batch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.csv").write_text(ROW, encoding="utf-8")
    monkeypatch.setattr("pipeline.commands.intake.show_summary", _broken)

    result = CliRunner().invoke(main, ["intake", str(tmp_path / "a.csv"), "--out", str(tmp_path / "out")])

    (summary,) = (tmp_path / "out").glob("*/summary.json")
    assert result.exit_code == 3
    assert f"each whole: batch {summary.parent.name}." in _paragraph(result)


def test_a_fault_where_no_log_can_be_written_shows_the_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    monkeypatch.setattr("pipeline.commands.findings.list_findings", _broken)
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path / "file"))
    settings = tmp_path / "k.toml"
    settings.write_text(f'out = "{tmp_path / "file"}"', encoding="utf-8")

    result = CliRunner().invoke(main, ["findings", "--settings", str(settings)])

    assert result.exit_code == 3
    assert "The log could not be written" in result.stderr
    assert "in _broken" in result.stderr


def test_ctrl_c_is_not_a_fault(monkeypatch: pytest.MonkeyPatch, ask: Callable[..., Result]) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.commands.findings.list_findings", stopped)

    result = ask("findings")

    assert result.exit_code == 2
    assert "stopped. A batch is stored whole or not at all" in _paragraph(result)


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 2), (signal.SIGTERM, 143)])
def test_a_signal_ends_a_command_in_order(folder: Path, number: signal.Signals, code: int) -> None:
    """A shell gives 128 + 15 for a program that TERM has ended; Ctrl-C is our own "cannot"."""
    store = str(folder / "kettlestone.duckdb")
    script = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "import pipeline.commands.query; print('ready', flush=True); "
        f"from pipeline.cli import main; main(['query', {ENDLESS!r}, '--store', {store!r}])"
    )
    with subprocess.Popen(  # noqa: S603 - own code
        [sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(1.0)
        process.send_signal(number)
        try:
            _, said = process.communicate(timeout=60)
        finally:
            process.kill()

    assert process.returncode == code
    assert said.startswith("kettlestone: ")
    assert "Traceback" not in said


def test_the_handler_of_term_is_put_back(ask: Callable[..., Result]) -> None:
    before = signal.getsignal(signal.SIGTERM)

    ask("findings")

    assert signal.getsignal(signal.SIGTERM) is before
