"""`snapshot`: a copy of the store for others."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import settings
from pipeline.store.database import Store
from pipeline.store.snapshot import snapshot
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("target", type=click.Path(path_type=Path))
@settings
def command(target: Path, settings: Settings) -> None:
    """Publish a read-only copy of the store.

    TARGET is a file ending in .duckdb, or a folder of Parquet files.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as opened:
        echo(str(snapshot(opened, target)))
