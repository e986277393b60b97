"""The options that many commands share, and the settings that they lead to."""

from __future__ import annotations

import functools
import getpass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from pipeline.commands import fault
from pipeline.report.terminal.table_output import TABLE_FORMATS, TableOutput
from pipeline.settings import NAMES, STORE_NAME, load_settings
from pipeline.words import LANGUAGES
from schemas.columns import STAGES

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from pipeline.settings import Settings

JSON = click.option("--json", "as_json", is_flag=True, help="Print data for other programs.")
LAYOUTS = click.option("--layouts", type=click.Path(path_type=Path), help="Folder with layouts of your own.")
LITRES = click.option("--litres", "litres_per_day", type=float, help="Litres a day in place of the record's.")
LANGUAGE = click.option("--language", type=click.Choice(LANGUAGES), help="Of the sentences [the setting language].")
_FORMAT = click.option("--format", "form", type=click.Choice(TABLE_FORMATS), help="How the table is written [table].")
_OUT_FILE = click.option("--out", "target", type=click.Path(path_type=Path), help="Write the table to this file.")
BY = click.option("--by", help="Who says so [the setting by].")

_STORE = click.option("--store", type=click.Path(path_type=Path), help="Store file [outputs/kettlestone.duckdb].")
_SETTINGS = click.option(
    "--settings", "settings_file", type=click.Path(path_type=Path), help="Settings file [kettlestone.toml]."
)

_AMONG: Final = (
    click.option(
        "--stage", "stages", multiple=True, type=click.Choice(STAGES), help="Only of this stage; may be repeated."
    ),
    click.option("--client", default="", help="Only of this client."),
    click.option("--site", default="", help="Only of this site."),
    click.option("--region", default="", help="Only of this region."),
    click.option("--since", type=click.DateTime(["%Y-%m-%d"]), help="From this day on."),
    click.option("--until", type=click.DateTime(["%Y-%m-%d"]), help="To this day."),
)


def settings(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command its `settings`, loaded and checked, and the options --store and --settings.

    Any other option that has the name of a setting (`out`, `layouts`) overrides it. Results in a folder of
    one's own bring their store along.
    """

    @functools.wraps(command)
    def with_settings(settings_file: Path | None, **values: Any) -> None:  # noqa: ANN401 - whatever the command takes
        given = {name: values.pop(name) for name in NAMES if name in values}
        if given.get("out") and not given.get("store"):
            given["store"] = given["out"] / STORE_NAME
        loaded = load_settings(settings_file, **given)
        fault.recall(click.get_current_context()).settings = loaded
        command(settings=loaded, **values)

    return _STORE(_SETTINGS(with_settings))


def among(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that narrow its samples; it gets them as ``among``, a ``Chosen``."""

    @functools.wraps(command)
    def with_chosen(
        *,
        stages: tuple[str, ...],
        client: str,
        site: str,
        region: str,
        since: datetime | None,
        until: datetime | None,
        **values: Any,  # noqa: ANN401 - whatever the command takes
    ) -> None:
        from pipeline.store.observations import Chosen  # noqa: PLC0415 - most commands read no observations

        first, last = (day.date() if day else None for day in (since, until))
        command(among=Chosen((), stages, client, site, region, first, last), **values)

    for option in reversed(_AMONG):
        with_chosen = option(with_chosen)
    return with_chosen


def table_output(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command that answers with a table its `wanted`, and the options --format, --out and --json."""

    @functools.wraps(command)
    def with_output(form: str | None, target: Path | None, as_json: bool, **values: Any) -> None:  # noqa: ANN401 - whatever the command takes
        command(wanted=TableOutput("json" if as_json else form or _form_of(target), target), **values)

    return _FORMAT(_OUT_FILE(JSON(with_output)))


def _form_of(target: Path | None) -> str:
    """Take the format of a file that is named for it: findings.csv is CSV."""
    named = target.suffix.lower().removeprefix(".") if target else ""
    return named if named in TABLE_FORMATS else TABLE_FORMATS[0]


def who_asks(settings: Settings) -> str:
    """Name who gives an answer: as said or set, else whom the system knows, "" where it knows nobody."""
    if settings.by and settings.by.strip():
        return settings.by.strip()
    try:
        return getpass.getuser()
    except (ImportError, KeyError, OSError):  # no account behind the process, or no table of accounts
        return ""
