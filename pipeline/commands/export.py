"""`export`: data that leave in open formats."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import settings
from pipeline.report.export.folder import EXPORT_FORMATS, export
from pipeline.store.exported import ExportScope
from pipeline.visible import echo

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.settings import Settings


@click.command
@click.option("--client", default="", help="Only of this client.")
@click.option("--site", default="", help="Only of this site.")
@click.option("--region", default="", help="Only of this region.")
@click.option("--since", type=click.DateTime(["%Y-%m-%d"]), help="Only of samples from this day on.")
@click.option("--format", "form", type=click.Choice(EXPORT_FORMATS), default="csv", help="What is written [csv].")
@click.option("--out", "target", type=click.Path(path_type=Path), default=Path("export"), help="Folder [export].")
@settings
def command(
    client: str, site: str, region: str, since: datetime | None, form: str, target: Path, settings: Settings
) -> None:
    """Write samples, readings and findings in an open format.

    csv: a file for each; parquet: folders by region and year; wqx: results named as WQX 3.0 has them, which intake
    reads back; xlsx: a workbook with typed cells. A Table Schema beside each says what the columns hold.

    \b
    kettlestone export --client "Corner cafe" --format xlsx --out for_client
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    scope = ExportScope(client, site, region, since.date() if since else None)
    echo(export(settings, scope, form, target))
