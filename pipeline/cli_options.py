"""The options that many commands share."""

from __future__ import annotations

from pathlib import Path

import click

STORE = click.option(
    "--store", type=click.Path(path_type=Path), default=None, help="Store file [outputs/kettlestone.duckdb]."
)
SETTINGS = click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    default=None,
    help="Settings file [kettlestone.toml].",
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print data for other programs.")
