"""`doctor`: is the store sound."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pipeline.commands.options import JSON, settings
from pipeline.report.terminal.soundness import soundness
from pipeline.restoring import unequal
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.option("--archive", "every_file", is_flag=True, help="Also read every archived file again and compare.")
@settings
@JSON
def command(every_file: bool, settings: Settings, as_json: bool) -> None:
    """Say whether the store is sound.

    Every block is read, the books are balanced, archive and journal are compared. With --archive the store is also made
    anew from them, beside itself, and both must be equal.

    Leaves with 0 where all is sound, with 1 where something was told or mended, with 2 where the store is not sound.
    """
    proved = (lambda: unequal(settings.store, settings.lock_wait_s)) if every_file else None
    text, code = soundness(settings, proved, as_json=as_json)
    echo(text)
    raise SystemExit(code)
