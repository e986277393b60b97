"""`intake`: the main job."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline import flow
from pipeline import intake as job
from pipeline.asking.answers import read_answers
from pipeline.asking.ask import Answers
from pipeline.commands.options import BY, JSON, LAYOUTS, settings, who_asks
from pipeline.engine.opening import engine_at
from pipeline.errors import EXIT_CANNOT, EXIT_CLEAN, EXIT_FINDINGS
from pipeline.kits import with_kits
from pipeline.memory import keep_freed
from pipeline.report.terminal.progress import Progress
from pipeline.report.terminal.summary import show_summary
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results [outputs].")
@click.option(
    "--unit",
    "units",
    multiple=True,
    metavar="NAME=UNIT",
    help='Unit of a quantity or heading without one; "lead=<1 µg/L" is the limit of what was not detected.',
)
@click.option("--engine", "address", metavar="ADDRESS", help="Cluster that does the work: dask://HOST:PORT.")
@click.option("--shared", metavar="URL", help="Where its workers leave their parts [the folder of the store].")
@BY
@settings
@LAYOUTS
@JSON
def command(
    paths: tuple[Path, ...],
    units: tuple[str, ...],
    address: str | None,
    shared: str | None,
    settings: Settings,
    as_json: bool,
) -> None:
    """Read files and folders, check every record, store all.

    A file called - is what comes on standard input.

    What came of it is written into a folder of its own, outputs/<batch>/.

    \b
    kettlestone intake sample_inputs
    kettlestone intake march/ report.xlsx --out results
    kettlestone intake list.csv --unit "calcium=mg/L" --unit "hardness=°dH"
    kettlestone intake archive/ --engine dask://10.0.0.5:8786 --shared /mnt/shared
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    keep_freed()
    who = who_asks(settings)
    answers = Answers(given=read_answers(with_kits(units, settings.kits), who), by=who)
    run = flow.run_flow if flow.configured() else job.run
    with engine_at(address, shared, settings.store) as engine, Progress(enabled=sys.stderr.isatty()) as progress:
        finished = run(paths, settings, progress, answers, engine)
    if as_json:
        echo(json.dumps(finished.summary, ensure_ascii=False, default=str))
    else:
        show_summary(finished.summary, finished.folder)
    log = finished.summary["log"]
    if log:
        echo(
            f"kettlestone: the program failed at a part of this, which is told; all else was done. Log: {log}", err=True
        )
    clean = finished.summary["verdict"] == "ok" and not log
    unread = [file["status"] == "not understood" for file in finished.summary["files"]]
    if all(unread):
        raise SystemExit(EXIT_CANNOT)
    raise SystemExit(EXIT_CLEAN if clean and not any(unread) else EXIT_FINDINGS)
