"""`desk`: the page to work through."""

from __future__ import annotations

import webbrowser
from typing import TYPE_CHECKING

import click

from pipeline.commands.options import BY, LANGUAGE, settings, who_asks
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@BY
@click.option("--port", "desk_port", type=click.IntRange(1, 65_535), help="Port on this machine [8470].")
@LANGUAGE
@click.option("--browser", is_flag=True, help="Open the desk in the browser.")
@settings
def command(settings: Settings, *, browser: bool) -> None:
    """Open the desk: pages to work through findings.

    Batches, findings one after the other by one key each, samples, sites, visits, uploads, control charts, questions.
    For this machine alone; the link opens it once. Stop it with Ctrl-C.

    \b
    kettlestone desk
    kettlestone desk --by "A. Smith" --language de
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from pipeline.desk.serving import serve_desk  # noqa: PLC0415 - the help of the command needs no server

    def tell(link: str) -> None:
        echo(f"The desk is open on this machine, and this link opens it once:\n  {link}\nStop it with Ctrl-C.")
        if browser:
            webbrowser.open(link)

    serve_desk(settings, who_asks(settings), tell)
