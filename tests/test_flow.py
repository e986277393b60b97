"""The Prefect shell: it asks for a server quickly and gives the same result as the plain functions."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest

from pipeline import flow
from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path


def _measure(path: Path) -> tuple[str, int]:
    return path.name, len(path.read_bytes())


def _stages(files: Sequence[Path] = (), read_file: Callable[[Path], object] = _measure) -> flow.Stages:
    return flow.Stages(files=files, read_file=read_file, finish=dict, describe=str)


def test_prefect_is_not_imported_before_a_flow_runs() -> None:
    """Everybody imports this module at the cost of nothing."""
    code = "import sys, pipeline.flow; sys.exit('prefect' in sys.modules or 'pipeline.intake' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0  # noqa: S603 - own code


def test_a_server_counts_as_configured_only_by_its_address(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    assert not flow.configured()

    monkeypatch.setenv("PREFECT_API_URL", "http://127.0.0.1:4200/api")
    assert flow.configured()


def test_a_dead_server_is_reported_within_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Prefect alone would hang or end in a traceback; the person is told what to do instead."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    monkeypatch.setenv("PREFECT_API_URL", f"http://127.0.0.1:{port}/api")
    started = time.monotonic()

    with pytest.raises(KettlestoneError, match=r"does not answer(.|\n)*unset it"):
        flow.run_stages(_stages())

    assert time.monotonic() - started < 5


@pytest.mark.parametrize("address", ["", "127.0.0.1:4200/api", "file:///etc/hostname"])
def test_what_is_no_web_address_is_refused(monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    monkeypatch.setenv("PREFECT_API_URL", address)

    with pytest.raises(KettlestoneError, match="not the address of a Prefect server"):
        flow.run_stages(_stages())


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Start a Prefect server in a process and folder of its own, and stop it afterwards."""
    home = tmp_path_factory.mktemp("prefect")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    quiet = {"DO_NOT_TRACK": "1", "PREFECT_SERVER_ANALYTICS_ENABLED": "false", "PREFECT_HOME": str(home)}
    environment = {key: value for key, value in os.environ.items() if key != "PREFECT_API_URL"} | quiet
    command = [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", port]
    with (home / "log").open("w") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)  # noqa: S603 - own command
    url = f"http://127.0.0.1:{port}/api"
    patch = pytest.MonkeyPatch()
    for key, value in (quiet | {"PREFECT_API_URL": url, "PREFECT_LOGGING_TO_API_ENABLED": "false"}).items():
        patch.setenv(key, value)
    try:
        _wait_for_server(process)
        yield url
    finally:
        patch.undo()
        process.terminate()
        process.wait(timeout=30)


def _wait_for_server(process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline and process.poll() is None:
        try:
            flow.require_server()
        except KettlestoneError:
            time.sleep(0.5)
        else:
            return
    pytest.fail("the Prefect server did not start")


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # Prefect's own warnings are not ours to mend
def test_the_flow_gives_the_result_of_the_plain_functions(server: str, tmp_path: Path) -> None:
    """Files are read each in a task, in order; a busy file is tried again; a fault is not."""
    files = [tmp_path / "b.csv", tmp_path / "a.csv"]
    files[0].write_bytes(b"12345")
    files[1].write_bytes(b"123")
    tries: list[str] = []

    def busy_once(path: Path) -> tuple[str, int]:
        tries.append(path.name)
        if tries.count("a.csv") == 1 and path.name == "a.csv":
            raise BlockingIOError("share is busy")
        return _measure(path)

    result = flow.run_stages(_stages(files, busy_once))

    assert server.startswith("http://127.0.0.1")
    assert list(result.items()) == [("b.csv", 5), ("a.csv", 3)]
    assert sorted(tries) == ["a.csv", "a.csv", "b.csv"]

    def broken(path: Path) -> tuple[str, int]:
        tries.append("broken")
        raise ValueError(f"a fault of the program at {path.name}")

    with pytest.raises(ValueError, match="a fault of the program"):
        flow.run_stages(_stages(files[:1], broken))

    assert tries.count("broken") == 1
