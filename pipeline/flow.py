"""The same stages as a Prefect flow, for those who have a Prefect server; the only prefect import.

Without PREFECT_API_URL nothing here runs: the command calls the stages itself, at no cost.
"""

from __future__ import annotations

import importlib
import os
import urllib.error
import urllib.request
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pipeline.engine.engine import HERE
from pipeline.errors import KettlestoneError
from pipeline.file_names import legible
from pipeline.store.faults import StoreLockedError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from pipeline.engine.engine import Engine
    from pipeline.settings import Settings

# Both are needed: one for Prefect's client, one for its server.
_QUIET: Final = {"DO_NOT_TRACK": "1", "PREFECT_SERVER_ANALYTICS_ENABLED": "false"}
_RETRY_PAUSES_S: Final = (1, 5, 20)
_PATIENCE_S: Final = 3.0


@dataclass(frozen=True)
class Stages:
    """The plain functions of one import.

    Attributes
    ----------
    files : the files to read, in order.
    read_file : one file → what it holds.
    finish : all of these, in order → the stored batch; the one place that writes the store.
    describe : the stored batch → its summary in Markdown.
    """

    files: Sequence[Path]
    read_file: Callable[[Path], Any]
    finish: Callable[[list[Any]], Any]
    describe: Callable[[Any], str]


def run_flow(
    paths: Sequence[Path],
    settings: Settings,
    listener: Any = None,  # noqa: ANN401 - intake's types
    answers: Any = None,  # noqa: ANN401 - the same
    engine: Engine = HERE,
) -> Any:  # noqa: ANN401 - the same
    """Do the main job as ``intake.run`` does it, as a flow on the configured Prefect server.

    Parameters
    ----------
    paths : files and folders.
    settings : of the run.
    listener : told of progress.
    answers : units that are answered now, and by whom.
    engine : weighs what may have happened to samples; files are read by tasks of the flow.

    Raises
    ------
    KettlestoneError : no server is configured or it does not answer; or as ``intake.run``.
    """
    require_server()
    job = importlib.import_module("pipeline.intake").prepare_intake(paths, settings, listener, answers, engine)
    return run_stages(
        Stages(
            files=job.files,
            read_file=job.read,
            finish=job.finish,
            describe=lambda finished: _describe(finished.summary),
        )
    )


def _describe(summary: Mapping[str, Any]) -> str:
    """List the plain figures of a summary in Markdown."""
    plain = {name: value for name, value in summary.items() if isinstance(value, str | int | float)}
    return "\n".join(f"- {name.replace('_', ' ')}: {value}" for name, value in plain.items())


def configured() -> bool:
    """Tell whether a Prefect server is configured (environment variable PREFECT_API_URL)."""
    return bool(os.environ.get("PREFECT_API_URL"))


def run_stages(stages: Stages) -> Any:  # noqa: ANN401 - the stages' own types pass through
    """Run the import as a flow on the configured Prefect server.

    One task reads each file; a single task checks, stores and writes the batch, so that the store has
    one writer. Only trouble with files and locks is tried again: bad data is a result, not a failure.

    Parameters
    ----------
    stages : the work.

    Returns
    -------
    what ``stages.finish`` returns, the same as without Prefect.

    Raises
    ------
    KettlestoneError : no server is configured or it does not answer.
    """
    require_server()
    os.environ.update(_QUIET)
    from prefect import flow, task  # noqa: PLC0415 - 1.6 s that only a flow should pay
    from prefect.artifacts import create_markdown_artifact  # noqa: PLC0415
    from prefect.cache_policies import NO_CACHE  # noqa: PLC0415
    from prefect.states import Completed  # noqa: PLC0415

    plain = {
        "cache_policy": NO_CACHE,
        "persist_result": False,
        "retries": len(_RETRY_PAUSES_S),
        "retry_delay_seconds": list(_RETRY_PAUSES_S),
        "retry_condition_fn": _worth_retrying,
    }

    # Only the path goes through Prefect; contents and results stay in this process.
    contents: dict[str, Any] = {}
    outcome: list[Any] = []

    @task(name="read file", task_run_name="read {path}", **plain)  # type: ignore[call-overload,untyped-decorator,unused-ignore]
    def read_one(path: str) -> None:
        contents[path] = stages.read_file(by_name[path])

    @task(name="store batch", **plain)  # type: ignore[call-overload,untyped-decorator,unused-ignore]
    def store_batch(files: int) -> str:
        outcome[:] = [stages.finish([contents[path] for path in by_name])]
        return f"{files} files stored"

    @flow(name="kettlestone intake", validate_parameters=False, persist_result=False)
    def intake(files: list[str]) -> Any:  # noqa: ANN401 - a Prefect state
        for reading in [read_one.submit(path) for path in files]:
            reading.result()
        message = store_batch(len(files))
        create_markdown_artifact(
            key="kettlestone-intake", markdown=stages.describe(outcome[0]), description="Summary of the batch"
        )
        return Completed(message=message)

    by_name = {legible(path): path for path in stages.files}
    intake(list(by_name))
    return outcome[0]


def _worth_retrying(_task: object, _run: object, state: Any) -> bool:  # noqa: ANN401 - a Prefect state
    """Try again after trouble with files or locks only."""
    error = state.result(raise_on_failure=False)
    return isinstance(error, (OSError, StoreLockedError))


def require_server() -> None:
    """Ask the server for a sign of life: Prefect itself would wait long and fail with a traceback."""
    url = os.environ.get("PREFECT_API_URL", "")
    if not url.startswith(("http://", "https://")):
        raise KettlestoneError(
            f'PREFECT_API_URL is "{url}", not the address of a Prefect server.\n'
            "  Nothing was read and nothing was stored.\n"
            "  Give it the form http://HOST:4200/api, or unset it to run without Prefect."
        )
    try:
        with urllib.request.urlopen(f"{url.rstrip('/')}/health", timeout=_PATIENCE_S):  # noqa: S310 - scheme checked above
            return
    except urllib.error.HTTPError:
        return  # it answers; a wrong key is Prefect's to explain
    except OSError as error:
        raise KettlestoneError(
            f"the Prefect server at {url} does not answer ({error}).\n"
            "  Nothing was read and nothing was stored.\n"
            "  Start it (prefect server start), correct PREFECT_API_URL, or unset it to run without Prefect."
        ) from error
