"""What `site`, `machine` and `treatment` share: each is a group of list, show and set."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import click

from pipeline.commands.options import BY, JSON, settings, table_output
from pipeline.report.terminal.registers import entered, listing, register_text
from pipeline.store.registers import option
from pipeline.visible import echo

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings

# Fields of each register that can be set, and their help; the first is the key where there is one.
_OPTIONS: Final[dict[str, dict[str, str]]] = {
    "site": {
        "region": "Region.",
        "country": "Country, for example DE.",
        "supply": "Supply: mains, well, softened, …",
        "machine": "Machine.",
        "treatment": "Treatment.",
        "litres_per_day": "Litres a day.",
        "comment": "Comment.",
    },
    "machine": {"machine": "Machine.", "litres_per_day": "Litres a day.", "comment": "Comment."},
    "treatment": {
        "treatment": "Treatment.",
        "machine": "The machine it serves.",
        "capacity": "Rated capacity.",
        "capacity_unit": "Its unit, for example °dH·L.",
        "installed_on": "Day the cartridge was put in, YYYY-MM-DD.",
        "bypass_percent": "Bypass setting, %.",
        "counter_litres": "Litres counted on that day.",
        "litres_per_day": "Litres a day.",
        "comment": "Comment.",
    },
}


def group(kind: str, about: str) -> click.Group:
    """Make the group of commands of one register.

    Parameters
    ----------
    kind : `site`, `machine` or `treatment`.
    about : its help.
    """
    made = click.Group(kind, help=about)
    for command in (_list(kind), _show(kind), _set(kind)):
        made.add_command(command)
    return made


def _list(kind: str) -> click.Command:
    @click.command("list", help=f"List every {kind} as it is in force.")
    @settings
    @table_output
    def command(settings: Settings, wanted: TableOutput) -> None:
        echo(listing(settings, kind, wanted))

    return command


def _show(kind: str) -> click.Command:
    @click.command(
        "show", help='Show what is in force at a SITE ("client / site" where several have it), and its history.'
    )
    @click.argument("site")
    @settings
    @JSON
    def command(site: str, settings: Settings, as_json: bool) -> None:
        echo(register_text(settings, kind, site, as_json=as_json))

    return command


def _set(kind: str) -> click.Command:
    @click.command(
        "set", help=f"Enter what is new about a {kind} at a SITE. A new row is added; nothing is overwritten."
    )
    @click.argument("site")
    @_fields(kind)
    @click.option("--fact", "facts", multiple=True, metavar="NAME=VALUE", help="Anything else worth keeping.")
    @BY
    @click.option("--why", required=True, help="Why.")
    @click.option("--new", is_flag=True, help="The site is a new one.")
    @settings
    def command(
        site: str, why: str, facts: tuple[str, ...], new: bool, settings: Settings, **values: str | None
    ) -> None:
        given = {name: value.strip() for name, value in values.items() if value is not None} | _named(facts)
        echo(entered(settings, kind, site, given, by=settings.by or "", why=why, now=datetime.now(UTC), new=new))

    return command


def _fields(kind: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    def with_fields(command: Callable[..., None]) -> Callable[..., None]:
        for name, about in reversed(_OPTIONS[kind].items()):
            command = click.option(option(name), name, help=about)(command)
        return command

    return with_fields


def _named(facts: tuple[str, ...]) -> dict[str, str]:
    """Read NAME=VALUE; the register's own columns have options of their own."""
    pairs = [fact.partition("=") for fact in facts]
    wrong = [fact for fact, (name, sign, _) in zip(facts, pairs, strict=True) if not sign or not name.strip()]
    if wrong:
        raise click.BadParameter(f'"{wrong[0]}" is not NAME=VALUE', param_hint="--fact")
    return {name.strip(): value.strip() for name, _, value in pairs}
