"""`watch`: take in whatever is dropped into a folder."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline import flow
from pipeline import intake as job
from pipeline.asking.ask import Answers
from pipeline.commands.options import LAYOUTS, settings, who_asks
from pipeline.errors import KettlestoneError
from pipeline.file_names import legible
from pipeline.store.faults import StoreLockedError
from pipeline.visible import echo
from pipeline.watching import Watched, take_in_dropped

if TYPE_CHECKING:
    from pipeline.batch import Finished
    from pipeline.settings import Settings


@click.command
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--every", type=click.FloatRange(min=0.1), default=5.0, help="Seconds between two looks [5].")
@click.option("--looks", type=click.IntRange(min=1), help="End after so many looks.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results [outputs].")
@settings
@LAYOUTS
def command(folder: Path, every: float, looks: int | None, settings: Settings) -> None:
    """Take in whatever is dropped into a FOLDER.

    A file is taken in when it has not changed between two looks, and then moved into done or failed below the folder,
    with a report beside it. Ctrl-C ends it.

    \b
    kettlestone watch inbox --out results
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    answers = Answers(by=who_asks(settings))
    run = flow.run_flow if flow.configured() else job.run

    def taken(files: list[Path]) -> Finished:
        found: Finished = run(files, settings, None, answers)
        return found

    watched, count = Watched(folder), 0
    while looks is None or count < looks:
        if count:
            time.sleep(every)
        count += 1
        try:
            for moved in take_in_dropped(watched, taken):
                echo(f"{legible(moved.file)}: {moved.status}")
        except StoreLockedError as error:
            echo(f"kettlestone: {str(error).splitlines()[0]} It is tried again.", err=True)
        except KettlestoneError as error:
            echo(f"kettlestone: {error}", err=True)
            raise SystemExit(2) from error
