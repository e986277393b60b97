"""A cluster gives what this process gives, byte for byte, whatever becomes of its workers."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from pipeline.engine.engine import HERE
from pipeline.engine.opening import engine_at
from pipeline.errors import KettlestoneError
from pipeline.intake import prepare_intake
from pipeline.settings import Settings
from pipeline.stages import Silent
from pipeline.store.database import Store
from pipeline.store.equality import differences

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.engine.engine import Engine
    from pipeline.stages import Listener

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]  # the warnings of another project

SAMPLE_INPUTS: Final = Path(__file__).parents[2] / "sample_inputs"
STARTED: Final = datetime(2026, 3, 5, 8, 0, tzinfo=UTC)  # the name of a batch follows from it
START_S: Final = 60


class Processes:
    """A scheduler on this machine, and workers that can be started and killed."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.running = folder, dict[str, subprocess.Popen[bytes]]()
        self._start("scheduler", "dask_scheduler", "--host", "127.0.0.1", "--port", "0")
        log = self._said("scheduler", "Scheduler at:")
        self.address = log.rpartition("tcp://")[2].strip()

    def add_worker(self, name: str) -> None:
        """Start a worker and wait until it is one of the cluster."""
        self._start(name, "dask_worker", f"tcp://{self.address}", "--nthreads", "1", "--no-nanny", "--name", name)
        self._said(name, "Registered to:")

    def kill(self, name: str) -> None:
        """End a worker as the system does that has no memory left."""
        self.running[name].send_signal(signal.SIGKILL)

    def end(self) -> None:
        """End all of them."""
        for process in reversed(self.running.values()):
            process.kill()
            process.wait()

    def _start(self, name: str, module: str, *arguments: str) -> None:
        command = [sys.executable, "-m", f"distributed.cli.{module}", *arguments, "--no-dashboard"]
        with (self.folder / name).open("wb") as log:
            self.running[name] = subprocess.Popen(command, cwd=self.folder, stdout=log, stderr=log)  # noqa: S603 - own command

    def _said(self, name: str, words: str) -> str:
        deadline = time.monotonic() + START_S
        while time.monotonic() < deadline:
            log = (self.folder / name).read_text(encoding="utf-8")
            if found := [line for line in log.splitlines() if words in line]:
                return found[0]
            time.sleep(0.05)
        raise TimeoutError(log)


@pytest.fixture(scope="module")
def processes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Processes]:
    processes = Processes(tmp_path_factory.mktemp("cluster"))
    yield processes
    processes.end()


@pytest.fixture(scope="module")
def small_portions() -> Iterator[None]:
    """Let the sample inputs be many portions, of files and of samples."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("pipeline.files_together._AT_ONCE", 5_000)
        patched.setattr("pipeline.explain.weighing._SAMPLES_AT_ONCE", 16)
        yield


def take_in(folder: Path, engine: Engine, listener: Listener | None = None) -> Path:
    """Take the sample inputs in, and give the folder of the batch."""
    settings = Settings(out=folder, store=folder / "kettlestone.duckdb")
    job = prepare_intake([SAMPLE_INPUTS], settings, listener or Silent(), engine=engine)
    return replace(job, started=STARTED).run().folder


@pytest.fixture(scope="module")
def by_itself(tmp_path_factory: pytest.TempPathFactory, small_portions: None) -> Path:  # noqa: ARG001 - only to be in force
    return take_in(tmp_path_factory.mktemp("here"), HERE)


def contents(batch: Path) -> dict[str, str]:
    """Read the files of a batch; where it lies and when it was finished stand in its summary."""
    texts = {path.name: path.read_bytes().decode() for path in batch.iterdir()}
    moment = re.compile(r'"finished_at": "[^"]*"')
    return {name: moment.sub("", text).replace(str(batch.parent), "") for name, text in texts.items()}


def assert_same(found: Path, expected: Path) -> None:
    """Compare the files of two batches byte for byte, and the stores row by row."""
    assert found.name == expected.name
    assert contents(found) == contents(expected)
    with Store(found.parent / "kettlestone.duckdb", read_only=True) as store:
        differ = differences(store, expected.parent / "kettlestone.duckdb")
    assert [
        one for one in differ if not one.startswith(("batch:", "journal_entry:"))
    ] == []  # of the clock and the folder
    assert [path for path in found.parent.iterdir() if path.name.startswith(".kettlestone")] == []


def refusal(processes: Processes, folder: Path, shared: str | None = None) -> str:
    """Give the words with which a cluster is refused."""
    with (
        pytest.raises(KettlestoneError) as refused,
        engine_at(f"dask://{processes.address}", shared, folder / "kettlestone.duckdb"),
    ):
        pass
    assert "Nothing was read and nothing was stored." in str(refused.value)
    return str(refused.value)


def test_a_cluster_without_workers_is_refused(processes: Processes, tmp_path: Path) -> None:
    assert "the cluster has no workers" in refusal(processes, tmp_path)


@pytest.fixture(scope="module")
def two_workers(processes: Processes) -> Processes:
    processes.add_worker("first")
    processes.add_worker("second")
    return processes


def test_workers_of_another_version_are_refused(
    two_workers: Processes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = metadata.version
    monkeypatch.setattr("pipeline.engine.cluster._own_version", lambda name: f"{own(name)}.later")

    assert re.search(
        r"the worker tcp://127\S+ has kettlestone \S+, and this machine has", refusal(two_workers, tmp_path)
    )


def test_workers_that_do_not_see_the_shared_folder_are_refused(two_workers: Processes, tmp_path: Path) -> None:
    """What is in the memory of this process is such a folder."""
    assert "does not see memory://parts" in refusal(two_workers, tmp_path, "memory://parts")


@pytest.mark.parametrize("shared", [None, "file://{folder}/shared"])
def test_a_cluster_gives_what_one_process_gives(
    two_workers: Processes, by_itself: Path, tmp_path: Path, shared: str | None
) -> None:
    (tmp_path / "shared").mkdir()
    shared = shared and shared.format(folder=tmp_path)

    with engine_at(f"dask://{two_workers.address}", shared, tmp_path / "kettlestone.duckdb") as engine:
        found = take_in(tmp_path, engine)

    assert_same(found, by_itself)
    assert list((tmp_path / "shared").iterdir()) == []


class _Killing(Silent):
    """A listener at whose first step a worker dies, while portions are with it."""

    def __init__(self, processes: Processes) -> None:
        self.processes = processes

    def step(self, what: str) -> None:  # noqa: ARG002 - as a listener's
        if self.processes.running["first"].poll() is None:
            self.processes.kill("first")


def test_a_worker_that_is_killed_takes_nothing_along(two_workers: Processes, by_itself: Path, tmp_path: Path) -> None:
    with engine_at(f"dask://{two_workers.address}", None, tmp_path / "kettlestone.duckdb") as engine:
        found = take_in(tmp_path, engine, _Killing(two_workers))

    assert two_workers.running["first"].wait(1) == -signal.SIGKILL
    assert_same(found, by_itself)


def test_a_cluster_that_is_gone_stores_nothing(two_workers: Processes, tmp_path: Path) -> None:
    class Ending(Silent):
        def step(self, what: str) -> None:  # noqa: ARG002 - as a listener's
            two_workers.end()

    with (
        pytest.raises(KettlestoneError, match=r"(?s)can do no more.*Nothing of this batch was stored"),
        engine_at(f"dask://{two_workers.address}", None, tmp_path / "kettlestone.duckdb") as engine,
    ):
        take_in(tmp_path, engine, Ending())

    with Store(tmp_path / "kettlestone.duckdb", read_only=True) as store:
        assert store.connection.execute("SELECT * FROM batch").fetchall() == []
