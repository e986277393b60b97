"""The commands of the registers: `site`, `machine` and `treatment`, each with list, show and set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from pipeline.cli_options import JSON, SETTINGS, STORE

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

# Fields of each register that can be set, and their help; the first is the key where there is one.
_OPTIONS: Final[dict[str, dict[str, str]]] = {
    "site": {
        "region": "Region.",
        "country": "Country, for example DE.",
        "supply": "Supply: mains, well, softened, …",
        "machine": "Machine.",
        "treatment": "Treatment.",
        "litres-per-day": "Litres a day.",
        "comment": "Comment.",
    },
    "machine": {"machine": "Machine.", "litres-per-day": "Litres a day.", "comment": "Comment."},
    "treatment": {
        "treatment": "Treatment.",
        "machine": "The machine it serves.",
        "capacity": "Rated capacity.",
        "capacity-unit": "Its unit, for example °dH·L.",
        "installed-on": "Day the cartridge was put in, YYYY-MM-DD.",
        "bypass-percent": "Bypass setting, %.",
        "counter-litres": "Litres counted on that day.",
        "litres-per-day": "Litres a day.",
        "comment": "Comment.",
    },
}
_ABOUT: Final = {
    "site": "The register of sites: what each place is, and what it was.",
    "machine": "The register of machines.",
    "treatment": "The register of treatments: what is fitted where, its setting and its cartridge changes.",
}


def add_registers(main: click.Group) -> None:
    """Add the three groups of commands to the program."""
    for kind in _OPTIONS:
        group = click.Group(kind, help=_ABOUT[kind], short_help=_ABOUT[kind])
        group.add_command(_list(kind))
        group.add_command(_show(kind))
        group.add_command(_set(kind))
        main.add_command(group)


def _list(kind: str) -> click.Command:
    @click.command("list", help=f"List every {kind} as it is in force.")
    @STORE
    @SETTINGS
    @JSON
    def command(store: Path | None, settings_file: Path | None, as_json: bool) -> None:
        from pipeline.report.terminal.registers import listing  # noqa: PLC0415
        from pipeline.settings import load  # noqa: PLC0415

        click.echo(listing(load(settings_file, store=store), kind, as_json=as_json))

    return command


def _show(kind: str) -> click.Command:
    @click.command(
        "show", help='Show what is in force at a SITE ("client / site" where several have it), and its history.'
    )
    @click.argument("site")
    @STORE
    @SETTINGS
    @JSON
    def command(site: str, store: Path | None, settings_file: Path | None, as_json: bool) -> None:
        from pipeline.report.terminal.registers import shown  # noqa: PLC0415
        from pipeline.settings import load  # noqa: PLC0415

        click.echo(shown(load(settings_file, store=store), kind, site, as_json=as_json))

    return command


def _set(kind: str) -> click.Command:
    @click.argument("site")
    @click.option("--by", required=True, help="Who enters it.")
    @click.option("--why", required=True, help="Why.")
    @click.option("--fact", "facts", multiple=True, metavar="NAME=VALUE", help="Anything else worth keeping.")
    @STORE
    @SETTINGS
    def command(
        site: str,
        by: str,
        why: str,
        facts: tuple[str, ...],
        store: Path | None,
        settings_file: Path | None,
        **values: str | None,
    ) -> None:
        from datetime import UTC, datetime  # noqa: PLC0415

        from pipeline.report.terminal.registers import entered  # noqa: PLC0415
        from pipeline.settings import load  # noqa: PLC0415

        given = {name: value.strip() for name, value in values.items() if value is not None} | _named(facts)
        settings = load(settings_file, store=store)
        click.echo(entered(settings, kind, site, given, by=by, why=why, now=datetime.now(UTC)))

    return click.command(
        "set", help=f"Enter what is new about a {kind} at a SITE. A new row is added; nothing is overwritten."
    )(_with_options(kind, command))


def _with_options(kind: str, command: Callable[..., None]) -> Callable[..., None]:
    for name, about in reversed(_OPTIONS[kind].items()):
        command = click.option(f"--{name}", default=None, help=about)(command)
    return command


def _named(facts: tuple[str, ...]) -> dict[str, str]:
    """Read NAME=VALUE; the register's own columns have options of their own."""
    pairs = [fact.partition("=") for fact in facts]
    wrong = [fact for fact, (name, sign, _) in zip(facts, pairs, strict=True) if not sign or not name.strip()]
    if wrong:
        raise click.BadParameter(f'"{wrong[0]}" is not NAME=VALUE', param_hint="--fact")
    return {name.strip(): value.strip() for name, _, value in pairs}
