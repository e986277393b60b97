"""`layout`: how a kind of file is to be read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import LAYOUTS, settings
from pipeline.report.terminal.layouts import layout_text, propose

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.group
def command() -> None:
    """Show or propose how a kind of file is to be read.

    Layouts are JSON files.
    """


@command.command("propose")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Write the proposal to this JSON file.")
def _propose(file: Path, out: Path | None) -> None:
    """Propose a layout for an unknown file and say how sure each column is."""
    click.echo(propose(file, out))


@command.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@settings
@LAYOUTS
def _check(file: Path, settings: Settings) -> None:
    """Show which layout fits a file and what becomes of each column."""
    click.echo(layout_text(file, settings.layouts))
