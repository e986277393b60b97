"""A fault of the program: one paragraph for people, and a log with the traceback for whoever mends it."""

from __future__ import annotations

import importlib
import sys
import traceback
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipeline.fault_log import FaultLog, fault_words

if TYPE_CHECKING:
    import click

    from pipeline.settings import Settings

_KEY: Final = "pipeline.commands.fault"
_DATABASE: Final = "pipeline.store.database"
_FAULTS_OF_STORE: Final = "pipeline.store.faults"
_RESULTS: Final = Path("outputs")


@dataclass
class Running:
    """What is running: when it began, and with which settings once they are known."""

    started: datetime
    settings: Settings | None = None


def remember(ctx: click.Context) -> None:
    """Note when a command begins."""
    ctx.meta[_KEY] = Running(datetime.now(UTC))


def recall(ctx: click.Context) -> Running:
    """Return what is running in a context."""
    running: Running = ctx.meta.setdefault(_KEY, Running(datetime.now(UTC)))
    return running


def damage(error: Exception, running: Running) -> str:
    """Say that the store is damaged where that is what an error means, else ""."""
    faults = sys.modules.get(_FAULTS_OF_STORE)
    if faults is None or running.settings is None or not faults.is_damaged(error):
        return ""
    return str(faults.damaged(running.settings.store, error))


def report(error: Exception, running: Running) -> str:
    """Write the log of a fault and say what happened, what was stored, where the log is and what to do.

    Parameters
    ----------
    error : what was raised.
    running : the command that raised it.
    """
    return (
        f"a fault of the program: {fault_words(error)}.\n"
        f"  {_stored(running)}\n"
        f"  {_logged(error, running)}\n"
        "  Run the command again; if it fails in the same way, send that file to whoever looks after the program."
    )


def _stored(running: Running) -> str:
    """Say what the store holds that it did not hold before; without an engine nothing can have been stored."""
    if running.settings is None or _DATABASE not in sys.modules or not running.settings.store.exists():
        return "Nothing was stored."
    try:
        fresh = importlib.import_module("pipeline.store.fresh").since(running.settings.store, running.started)
    except Exception as error:  # noqa: BLE001 - a second fault must not hide the first
        return f"Whether anything was stored is not known: {' '.join(str(error).split())}"
    if not fresh:
        return "Nothing was stored; the store is as it was."
    return f"In the store since the command began, each whole: {', '.join(fresh)}."


def _logged(error: Exception, running: Running) -> str:
    results = running.settings.out if running.settings else _RESULTS
    log = FaultLog(results, datetime.now(UTC), str(running.settings))
    path = log.add(f"the command, which began {running.started:%Y-%m-%dT%H:%M:%SZ}", error)
    if path is None:
        return f"The log could not be written; the traceback:\n{''.join(traceback.format_exception(error))}"
    return f"The log with the traceback is {path}."
