"""The command line: the group of commands. A command is imported when it runs, so that --help is quick."""

from __future__ import annotations

import errno
import gc
import importlib
import os
import signal
import sys
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

import click

from pipeline import __version__
from pipeline.commands import fault
from pipeline.did_you_mean import did_you_mean
from pipeline.errors import EXIT_CANNOT, EXIT_FAULT, EXIT_TERMINATED, KettlestoneError
from pipeline.visible import echo

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType

# What `kettlestone --help` says of each command: the first line of its own help.
COMMANDS: Final[dict[str, str]] = {
    "advise": "Say what to do about the water of a SITE.",
    "assess": "Say what a water will do in the machine and in the cup.",
    "checks": "List the checks, or explain one with its limits and source.",
    "control": "Draw the control charts of standards and blanks.",
    "convert": "Convert a VALUE from one unit into another.",
    "decide": "Answer findings; who and why are kept with the answer.",
    "desk": "Open the desk: pages to work through findings.",
    "doctor": "Say whether the store is sound.",
    "due": "List the sites to visit, by date, and why.",
    "enter": "Enter a visit to a SITE; verdict and advice come at once.",
    "explain": "Say what most likely happened to a SAMPLE.",
    "export": "Write samples, readings and findings in an open format.",
    "field-sheet": "Write a page to fill in at SITES, on a phone or on paper.",
    "findings": "List the findings that wait for an answer.",
    "history": "Tell what happened, and who decided it and why.",
    "intake": "Read files and folders, check every record, store all.",
    "kit": "List the kits of drops, or show one.",
    "layout": "Show or propose how a kind of file is to be read.",
    "machine": "The register of machines.",
    "picture": "Draw a picture of KIND, on a page with its numbers.",
    "query": "Ask the store: a prepared question, or SQL.",
    "report": "Write the page for the client of a SITE.",
    "restore": "Make a store anew from its archive and journal.",
    "retest": "Say whether the treatment of a SITE does its work.",
    "site": "The register of sites: what each place is, and what it was.",
    "snapshot": "Publish a read-only copy of the store.",
    "trend": "Say what drifts, what changed since when, and how sure that is.",
    "summary": "Write the summary of a BATCH again, with the answers in force.",
    "watch": "Take in whatever is dropped into a FOLDER.",
    "treatment": "The register of treatments: what is fitted where.",
}
_SAFE: Final = "A batch is stored whole or not at all; run the command again."


class _Terminated(BaseException):
    """The signal TERM has come: whatever is open is closed in order, what is not committed is taken back."""


class _Commands(click.Group):
    """A group whose commands are imported when they run, and which turns what goes wrong into one paragraph."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's own signature
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's own signature
        return _imported(cmd_name) if cmd_name in COMMANDS else None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args[0] not in COMMANDS and not args[0].startswith("-"):
            ctx.fail(f'there is no command "{args[0]}"{did_you_mean(args[0], COMMANDS)}')
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's own signature
        with formatter.section("Commands"):
            formatter.write_dl(sorted(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - click's own signature
        try:
            with _terminable():
                return super().invoke(ctx)
        except KettlestoneError as error:
            _leave(ctx, str(error), EXIT_CANNOT)
        except KeyboardInterrupt:
            _leave(ctx, f"stopped. {_SAFE}", EXIT_CANNOT)
        except _Terminated:
            _leave(ctx, f"terminated. {_SAFE}", EXIT_TERMINATED)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            if isinstance(error, OSError) and error.errno == errno.EPIPE:
                raise  # nobody reads on; click ends quietly
            running = fault.recall(ctx)
            if damage := fault.damage(error, running):
                _leave(ctx, damage, EXIT_CANNOT)
            _leave(ctx, fault.report(error, running), EXIT_FAULT)


def _leave(ctx: click.Context, paragraph: str, code: int) -> None:
    echo(f"kettlestone: {paragraph}", err=True)
    ctx.exit(code)


def _imported(name: str) -> click.Command:
    """Import a command, without the collector of cycles, which would go through all that was imported over and over."""
    module = f"pipeline.commands.{name.replace('-', '_')}"
    # Read when numpy is imported. Its other threads would be kept waiting for products too small to be shared out.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if module not in sys.modules:
        gc.disable()
        try:
            importlib.import_module(module)
        finally:
            gc.freeze()
            gc.enable()
    command: click.Command = sys.modules[module].command
    return command


@contextmanager
def _terminable() -> Iterator[None]:
    """Let the signal TERM unwind the block in order, as Ctrl-C does; only the main thread is sent signals."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def terminate(_signal: int, _frame: FrameType | None) -> None:
        raise _Terminated

    earlier = signal.signal(signal.SIGTERM, terminate)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, earlier)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="kettlestone")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Water analyses of coffee equipment: read, prove, keep, and say what the water will do.

    Exit codes: 0 nothing to look at, 1 findings, 2 cannot, 3 a fault of the program.
    """
    fault.remember(ctx)


if __name__ == "__main__":
    main()
