"""`restore`: make a store anew from its archive and journal."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.errors import EXIT_CLEAN, EXIT_FINDINGS
from pipeline.restoring import restore
from pipeline.settings import STORE_NAME
from pipeline.visible import echo


@click.command
@click.argument("target", type=click.Path(path_type=Path))
@click.option(
    "--from",
    "archive",
    required=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of the archive, with the journal in it.",
)
@click.option("--journal", type=click.Path(path_type=Path, exists=True), help="Which journal, where there are several.")
def command(target: Path, archive: Path, journal: Path | None) -> None:
    """Make a store anew from its archive and journal.

    TARGET is the file of the new store, or a folder for it; nothing is overwritten. Every change is done again in its
    order: files under their names, answers, register entries, with who, when and why.

    Leaves with 0 where all is as it was, with 1 where something is not, which is told.

    \b
    kettlestone restore --from outputs/archive outputs/restored.duckdb
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    store = target if target.suffix else target / STORE_NAME
    restored = restore(archive, store, journal)
    count = len(restored.changes)
    echo(f"{store}: made anew from {count} {'change' if count == 1 else 'changes'} of the journal.")
    for remark in restored.remarks:
        echo(f"  Not as it was: {remark}.")
    raise SystemExit(EXIT_FINDINGS if restored.remarks else EXIT_CLEAN)
