"""Settings and slow things shared by all tests."""

from __future__ import annotations

import fcntl
import gc
import importlib.util
import ipaddress
import os
import shutil
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner
from hypothesis import settings

from pipeline.fault_log import FaultLog
from pipeline.store import database, migrate
from pipeline.store.journal import Journal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import ModuleType

    import duckdb

    from pipeline.site.answer import SiteAnswer
    from pipeline.site.record import Site
    from pipeline.site.visit import Visit
    from pipeline.treat.advice import Advice

# A shared machine can be slow for a moment; examples are fixed so that a red run can be repeated.
settings.register_profile("kettlestone", deadline=None, derandomize=True)
settings.load_profile("kettlestone")

if sys.dont_write_bytecode:  # each process of a run would compile libraries, program and tests again
    sys.dont_write_bytecode = False
    sys.pycache_prefix = str(Path(__file__).parents[1] / ".pytest_cache" / "bytecode")
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

CREATE_STORE = database._create  # noqa: SLF001 - what the tests spare themselves
SCENARIOS = Path(__file__).parent / "scenarios"


def pytest_collection_finish() -> None:
    """Leave libraries and collected tests out of every later search for cycles: they stay to the end."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def new_stores_are_copies() -> Iterator[None]:
    """Build the first new store of a process as the program does; every later one is a copy of its bytes.

    Whatever stops the copy is left to the program, which says it in its own words.
    """
    built: dict[object, bytes] = {}

    def create(path: Path, engine: duckdb.DuckDBPyConnection) -> None:
        made_of = (migrate.migrations(), tuple(migrate.scripts("views").values()), database.STORAGE_VERSION)
        if made_of not in built:
            CREATE_STORE(path, engine)
            built[made_of] = path.read_bytes()
            return
        try:
            with path.open("xb") as copy:
                copy.write(built[made_of])
        except FileExistsError:
            CREATE_STORE(path, engine)
        except OSError:
            path.unlink(missing_ok=True)
            CREATE_STORE(path, engine)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(database, "_create", create)
        yield


@pytest.fixture(scope="session", autouse=True)
def no_network() -> Iterator[None]:
    """Let no test speak to another machine: sockets lead to this one only."""
    connect = socket.socket.connect

    def connected(here: socket.socket, address: Any) -> None:  # noqa: ANN401 - as the system's
        if here.family in (socket.AF_INET, socket.AF_INET6) and not _is_this_machine(str(address[0])):
            raise AssertionError(f"a test speaks to {address[0]}")
        connect(here, address)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(socket.socket, "connect", connected)
        yield


def _is_this_machine(name: str) -> bool:
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


@pytest.fixture(autouse=True)
def no_fault_is_set_aside(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Fail a test in which the program failed at a part and went on, unless that is what the test is about."""
    faults: list[str] = []
    add = FaultLog.add

    def noted(log: FaultLog, subject: str, error: BaseException) -> Path | None:
        faults.append(f"{subject}: {error!r}")
        return add(log, subject, error)

    monkeypatch.setattr(FaultLog, "add", noted)
    yield
    if request.node.get_closest_marker("faults") is None:
        assert not faults


@pytest.fixture
def stores_built_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the program build every new store: for tests of just that."""
    monkeypatch.setattr(database, "_create", CREATE_STORE)


@pytest.fixture(scope="session")
def building() -> ModuleType:
    """Give the builders of sites, put together by hand and without a store."""
    spec = importlib.util.spec_from_file_location("site_building", Path(__file__).parent / "site" / "building.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def visit(building: ModuleType) -> Callable[..., Visit]:
    """Give the builder of samples."""
    builder: Callable[..., Visit] = building.make_visit
    return builder


@pytest.fixture(scope="session")
def site(building: ModuleType) -> Callable[..., Site]:
    """Give the builder of sites."""
    builder: Callable[..., Site] = building.make_site
    return builder


@pytest.fixture(scope="session")
def advice(building: ModuleType) -> Callable[..., Advice]:
    """Give the builder of advice."""
    builder: Callable[..., Advice] = building.make_advice
    return builder


@pytest.fixture(scope="session")
def report(building: ModuleType) -> Callable[..., SiteAnswer]:
    """Give the builder of answers."""
    builder: Callable[..., SiteAnswer] = building.make_answer
    return builder


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[Path], object]], Path]:
    """Give a function that fills a folder once for all processes of the run; whoever changes it copies it first.

    It takes the name of the folder and the function that fills it.
    """
    own = tmp_path_factory.getbasetemp()
    base = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own

    def make(name: str, fill: Callable[[Path], object]) -> Path:
        folder, done = base / f"shared-{name}", base / f"shared-{name}.done"
        with (base / f"shared-{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not done.exists():
                shutil.rmtree(folder, ignore_errors=True)
                folder.mkdir()
                fill(folder)
                done.touch()
        return folder

    return make


@pytest.fixture(scope="session")
def scenario_output(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Callable[[str], Path]:
    """Give the output folder of `intake` for a scenario, to be read only."""

    def output(name: str) -> Path:
        def take_in(out: Path) -> None:
            from pipeline.cli import main  # noqa: PLC0415 - not every test needs the command

            done = CliRunner().invoke(main, ["intake", str(SCENARIOS / name), "--out", str(out)])
            assert done.exit_code in (0, 1), done.output

        return made_once(f"scenario-{name}", take_in)

    return output


@pytest.fixture
def scenario_store(scenario_output: Callable[[str], Path], tmp_path: Path) -> Callable[[str], Path]:
    """Give a store of a scenario's files, the test's own to change."""

    def copied(name: str) -> Path:
        journal = Journal.of(scenario_output(name) / "kettlestone.duckdb").path
        (tmp_path / "archive").mkdir(exist_ok=True)
        shutil.copy(journal, tmp_path / "archive")
        return Path(shutil.copy(scenario_output(name) / "kettlestone.duckdb", tmp_path))

    return copied
