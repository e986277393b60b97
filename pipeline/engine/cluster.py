"""The engine of a Dask cluster: portions go to its workers by the executor of `distributed`."""

from __future__ import annotations

import pickle
import platform
from collections import deque
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import metadata
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from distributed import Client, KilledWorker
from distributed.client import ClosedClientError
from distributed.comm import CommClosedError

from pipeline.engine.shared_folder import Packed, SharedFolder, new_run
from pipeline.engine.worker import do_portion, read_part
from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from pipeline.engine.engine import OutcomeT, PortionT

_PATIENCE_S: Final = 5.0  # for the scheduler to answer
_WITHOUT_WORKERS_S: Final = 60.0  # workers that were killed are started again within seconds, where anybody does
_LOOK_S: Final = 5.0
_AHEAD: Final = 2  # portions for each worker: one that is done and one that waits
_PYTHON: Final = "Python"
_SAME: Final = ("kettlestone", _PYTHON, "numpy", "pandas", "pyarrow")  # what the last digit of an outcome depends on
_MARK: Final = "mark"
_GONE: Final = "its scheduler does not answer any more"


@dataclass(frozen=True)
class Cluster:
    """The engine of a cluster.

    Attributes
    ----------
    client : connected to its scheduler.
    folder : of this run.
    """

    client: Client
    folder: SharedFolder

    def map(self, function: Callable[[PortionT], OutcomeT], portions: Iterable[PortionT]) -> Iterator[OutcomeT]:
        """Do the portions on the workers; a portion whose worker dies is done by another.

        Raises
        ------
        KettlestoneError : the cluster can do no more.
        """
        pickled = pickle.dumps(function, protocol=pickle.HIGHEST_PROTOCOL)
        executor = self.client.get_executor(pure=False)
        waiting: deque[tuple[Future[Packed], Packed]] = deque()
        try:
            for portion in portions:
                sent = self.folder.pack(portion)
                waiting.append((executor.submit(do_portion, self.folder.url, pickled, sent.body), sent))
                if len(waiting) > _AHEAD * len(_workers(self.client)):
                    yield self._outcome(*waiting.popleft())
            while waiting:
                yield self._outcome(*waiting.popleft())
        except ClosedClientError as error:
            raise _lost(_GONE) from error
        finally:
            executor.shutdown(wait=False)

    def _outcome(self, future: Future[Packed], sent: Packed) -> Any:  # noqa: ANN401 - what the function gives
        came = self._came(future)
        outcome = self.folder.unpack(came.body)
        self.folder.remove([*sent.parts, *came.parts])
        return outcome

    def _came(self, future: Future[Packed]) -> Packed:
        """Wait for a portion, as long as there are workers."""
        alone_s = 0.0
        while True:
            try:
                return future.result(timeout=_LOOK_S)
            except TimeoutError:
                alone_s = 0.0 if _workers(self.client) else alone_s + _LOOK_S
                if alone_s >= _WITHOUT_WORKERS_S:
                    raise _lost(f"it has had no workers for {alone_s:.0f} s") from None
            except KilledWorker as error:
                raise _lost(
                    f"one portion has ended several workers, the last one {error.last_worker.address}"
                ) from error
            except (CancelledError, CommClosedError) as error:
                raise _lost(_GONE) from error


@contextmanager
def open_cluster(address: str, shared: str) -> Iterator[Cluster]:
    """Connect to a cluster, and make sure that its workers can do the work of this one.

    Parameters
    ----------
    address : `dask://HOST:PORT` of the scheduler.
    shared : folder or fsspec URL that this process and the workers see.

    Raises
    ------
    KettlestoneError : nobody answers, there are no workers, their versions differ, or they do not see the folder.
    """
    with _connected(address) as client:
        if not _workers(client):
            raise _unfit(f"{address}: the cluster has no workers.", "Start some: dask worker HOST:PORT --nthreads 1")
        _refuse_other_versions(client)
        try:
            folder = new_run(shared)
        except (OSError, ImportError, ValueError) as error:
            raise _unfit(f"{shared}: parts cannot be left there ({error}).", "Give another place: --shared") from error
        try:
            _refuse_unseen(client, folder)
            yield Cluster(client, folder)
        finally:
            folder.clear()


def _connected(address: str) -> Client:
    parts = urlsplit(address)
    try:
        named = parts.scheme == "dask" and parts.hostname and parts.port
    except ValueError:
        named = None
    if not named:
        raise _unfit(f'--engine "{address}" is not the address of a cluster.', "Give it the form dask://HOST:PORT")
    try:
        return Client(f"tcp://{parts.netloc}", timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, TimeoutError) as error:
        raise _unfit(
            f"{address}: no scheduler answers there.", "Start one (dask scheduler), or correct the address"
        ) from error


def _workers(client: Client) -> dict[str, Any]:
    found: dict[str, Any] = client.scheduler_info(n_workers=-1).get("workers", {})  # nothing once it is gone
    return found


def _refuse_other_versions(client: Client) -> None:
    for name in _SAME:
        own = _own_version(name)
        ask = (platform.python_version,) if name == _PYTHON else (metadata.version, name)
        for worker, found in client.run(*ask, on_error="return").items():
            if found != own:
                told = "nowhere" if isinstance(found, Exception) else found
                raise _unfit(
                    f"the worker {worker} has {name} {told}, and this machine has {own}.",
                    "Workers must have the versions that are here, or the last digits of results may differ",
                )


def _own_version(name: str) -> str:
    return platform.python_version() if name == _PYTHON else metadata.version(name)


def _refuse_unseen(client: Client, folder: SharedFolder) -> None:
    mark = folder.url.encode()
    folder.write(mark, _MARK)
    for worker, found in client.run(read_part, folder.url, _MARK, on_error="return").items():
        if found != mark:
            raise _unfit(
                f"the worker {worker} does not see {folder.url}.",
                "Name a folder or an address that all machines see: --shared",
            )


def _unfit(what: str, remedy: str) -> KettlestoneError:
    return KettlestoneError(f"{what}\n  Nothing was read and nothing was stored.\n  {remedy}.")


def _lost(why: str) -> KettlestoneError:
    return KettlestoneError(
        f"the cluster can do no more: {why}.\n  Nothing of this batch was stored; earlier batches are safe.\n"
        "  Look after the cluster and run the same command again, or run it without --engine."
    )
