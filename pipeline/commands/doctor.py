"""`doctor`: is the store sound."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pipeline.commands.options import JSON, settings
from pipeline.report.terminal.soundness import soundness
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.option("--archive", "every_file", is_flag=True, help="Also read every archived file again.")
@settings
@JSON
def command(every_file: bool, settings: Settings, as_json: bool) -> None:
    """Say whether the store is sound.

    Every block is read, the books are balanced, the archive is compared.

    Leaves with 0 where all is sound, with 1 where something was told or mended, with 2 where the store is not sound.
    """
    text, code = soundness(settings, every_file=every_file, as_json=as_json)
    echo(text)
    raise SystemExit(code)
