"""The process that takes uploaded files in: the main job, telling the desk line by line how far it is.

It is a process of its own, so that pages stay quick and a store that is being written is another process's.
"""

from __future__ import annotations

import json
import pickle
import sys
import traceback
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from pipeline.asking.answers import read_answers
from pipeline.asking.ask import Answers
from pipeline.errors import KettlestoneError
from pipeline.intake import prepare_intake
from pipeline.kits import with_kits
from pipeline.report.wording import batch_headline

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.ingest.file_result import FileResult
    from pipeline.intake import Intake
    from pipeline.settings import Settings


@dataclass(frozen=True)
class Request:
    """What is to be taken in: files with their names, the settings, answers about units, and who says so."""

    named: tuple[tuple[Path, str], ...]
    settings: Settings
    units: tuple[str, ...]
    by: str


class _Telling:
    """A listener that writes what it hears on standard output, a JSON object a line."""

    def stage(self, name: str, total: int = 0) -> None:
        """Tell that a stage begins."""
        _tell_desk({"stage": name, "total": total})

    def step(self, what: str) -> None:
        """Tell that a step is done."""
        _tell_desk({"step": what})


def _tell_desk(news: dict[str, Any]) -> None:
    """Write a line; where the desk is gone the job goes on: what was confirmed to be taken in is taken in."""
    try:
        sys.stdout.write(json.dumps(news, ensure_ascii=True) + "\n")
        sys.stdout.flush()
    except OSError:
        sys.stdout = None
    except AttributeError:
        return


def _read(job: Intake, request: Request) -> Iterator[FileResult]:
    """Read every file, under the name that a person gave it."""
    names = dict(request.named)
    for path in job.files:
        result = job.read(path)
        yield replace(result, source={**result.source, "name": names[path]})


def take_in() -> None:
    """Take in what the desk hands over on standard input."""
    request: Request = pickle.load(sys.stdin.buffer)  # noqa: S301 - from the desk that started this process
    try:
        given = read_answers(with_kits(request.units, request.settings.kits), request.by)
        answers = Answers(given=given, by=request.by)
        job = prepare_intake([path for path, _ in request.named], request.settings, _Telling(), answers)
        finished = job.finish(_read(job, request))
        headline = batch_headline(finished.summary)
        _tell_desk({"batch_id": finished.summary["batch"]["batch_id"], "headline": headline})
    except KettlestoneError as error:
        _tell_desk({"failed": str(error)})
    except Exception:  # noqa: BLE001 - told to the desk, whatever it is
        traceback.print_exc()
        _tell_desk({"failed": "A fault of the program; nothing was stored. The terminal shows what to send."})


if __name__ == "__main__":
    take_in()
