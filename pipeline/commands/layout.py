"""`layout`: how a kind of file is to be read."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import BY, JSON, LAYOUTS, settings, who_asks
from pipeline.report.terminal.layouts import layout_text, propose
from pipeline.report.terminal.shapes import forget, remembered
from pipeline.report.terminal.sheets import SHEETS, sheet_text, write_sheet
from pipeline.visible import echo

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
    echo(propose(file, out))


@command.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@settings
@LAYOUTS
def _check(file: Path, settings: Settings) -> None:
    """Show which layout fits a file and what becomes of each column."""
    echo(layout_text(file, settings.layouts))


@command.command("template")
@click.argument("kind", type=click.Choice(SHEETS))
@click.option("--out", type=click.Path(path_type=Path), help="FILE.csv or FILE.xlsx [printed].")
def _template(kind: str, out: Path | None) -> None:
    """Write an empty sheet of a KIND: the headings, and one example row to overwrite."""
    echo(sheet_text(kind).rstrip("\n") if out is None else write_sheet(kind, out))


@command.command("remembered")
@settings
@JSON
def _remembered(settings: Settings, as_json: bool) -> None:
    """List the units and layouts that are kept for files of one shape, and who settled them when."""
    echo(remembered(settings, as_json=as_json))


@command.command("forget")
@click.argument("shape")
@BY
@settings
def _forget(shape: str, settings: Settings) -> None:
    """Forget what is kept for a SHAPE: its name in the list, or the beginning of it."""
    echo(forget(settings, shape, by=who_asks(settings), now=datetime.now(UTC)))
