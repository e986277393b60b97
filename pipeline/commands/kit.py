"""`kit`: the kits that count drops."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pipeline.commands.options import JSON, settings
from pipeline.report.terminal.kits import kit_list, kit_text
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.group
def command() -> None:
    """List the kits of drops, or show one.

    Kits of your own stand in a TOML file that the setting kits names; the setting kit says which one is used.
    """


@command.command("list")
@settings
@JSON
def _list(settings: Settings, as_json: bool) -> None:
    """List every kit: what one drop is worth, and at which sample volume."""
    echo(kit_list(settings, as_json=as_json))


@command.command("show")
@click.argument("name")
@settings
@JSON
def _show(name: str, settings: Settings, as_json: bool) -> None:
    """Show everything that is known of the kit NAME."""
    echo(kit_text(settings, name, as_json=as_json))
