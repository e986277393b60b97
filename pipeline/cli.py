"""The command line. Everything heavy is imported inside the commands, so that --help is quick."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import click

from pipeline import __version__
from pipeline.errors import KettlestoneError

CLEAN, FINDINGS, CANNOT = 0, 1, 2


class _Group(click.Group):
    """A group that turns our own errors into one paragraph and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - click's own signature
        try:
            return super().invoke(ctx)
        except KettlestoneError as error:
            click.echo(f"kettlestone: {error}", err=True)
            ctx.exit(CANNOT)
        except KeyboardInterrupt:
            click.echo(
                "kettlestone: stopped. A batch is stored whole or not at all; run the command again.",
                err=True,
            )
            ctx.exit(CANNOT)


_STORE = click.option(
    "--store", type=click.Path(path_type=Path), default=None, help="Store file [outputs/kettlestone.duckdb]."
)
_SETTINGS = click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    default=None,
    help="Settings file [kettlestone.toml].",
)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print data for other programs.")


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="kettlestone")
def main() -> None:
    """Water analyses of coffee equipment: read, prove, keep, and say what the water will do.

    Exit codes: 0 nothing to look at, 1 findings, 2 cannot.
    """


@main.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), default=None, help="Folder for the results [outputs]."
)
@_STORE
@_SETTINGS
@click.option(
    "--layouts", type=click.Path(path_type=Path), default=None, help="Folder with layouts of your own."
)
@_JSON
def intake(
    paths: tuple[Path, ...],
    out: Path | None,
    store: Path | None,
    settings_file: Path | None,
    layouts: Path | None,
    as_json: bool,
) -> None:
    """Read files and folders, check every record, store all, write outputs/<batch>/.

    \b
    kettlestone intake sample_inputs
    kettlestone intake march/ report.xlsx --out results
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from pipeline.settings import load  # noqa: PLC0415

    settings = load(
        settings_file, out=out, store=store or (out and out / "kettlestone.duckdb"), layouts=layouts
    )
    if os.environ.get("PREFECT_API_URL"):
        from pipeline.flow import run_flow as run  # noqa: PLC0415
    else:
        from pipeline.intake import run  # noqa: PLC0415
    from pipeline.report.progress import Progress  # noqa: PLC0415

    with Progress(enabled=sys.stderr.isatty()) as progress:
        finished = run(paths, settings, progress)
    if as_json:
        click.echo(json.dumps(finished.summary, ensure_ascii=False, default=str))
    else:
        from pipeline.report.terminal import show  # noqa: PLC0415

        show(finished.summary, finished.folder)
    clean = finished.summary["verdict"] == "ok"
    unread = any(file["status"] == "not understood" for file in finished.summary["files"])
    raise SystemExit(CLEAN if clean and not unread else FINDINGS)


@main.command()
@click.argument("check_id", required=False)
@_JSON
def checks(check_id: str | None, as_json: bool) -> None:
    """List the checks, or explain one: why it matters, its limits, its source."""
    from pipeline.report.check_list import explain, list_all  # noqa: PLC0415

    click.echo(explain(check_id, as_json=as_json) if check_id else list_all(as_json=as_json))


@main.group()
def layout() -> None:
    """Layouts say how a kind of file is to be read; they are JSON files."""


@layout.command("propose")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--save", type=click.Path(path_type=Path), default=None, help="Write the proposal to this JSON."
)
def layout_propose(file: Path, save: Path | None) -> None:
    """Propose a layout for an unknown file and say how sure each column is."""
    from pipeline.report.layout_text import propose  # noqa: PLC0415

    click.echo(propose(file, save))


@layout.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--layouts", type=click.Path(path_type=Path), default=None, help="Folder with layouts of your own."
)
def layout_check(file: Path, layouts: Path | None) -> None:
    """Show which layout fits a file and what becomes of each column."""
    from pipeline.report.layout_text import check  # noqa: PLC0415

    click.echo(check(file, layouts))


@main.command()
@click.argument("name_or_sql", required=False)
@_STORE
@_SETTINGS
@_JSON
def query(name_or_sql: str | None, store: Path | None, settings_file: Path | None, as_json: bool) -> None:
    """Ask the store: the name of a prepared query, or SQL over the views. Without one, list them."""
    from pipeline.report.answers import answer, prepared  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    settings = load(settings_file, store=store)
    click.echo(answer(settings, name_or_sql, as_json=as_json) if name_or_sql else prepared())



@main.command()
@click.argument("target", type=click.Path(path_type=Path))
@_STORE
@_SETTINGS
def snapshot(target: Path, store: Path | None, settings_file: Path | None) -> None:
    """Publish a read-only copy of the store: TARGET.duckdb, or a folder of Parquet files."""
    from pipeline.settings import load  # noqa: PLC0415
    from pipeline.store.database import Store  # noqa: PLC0415
    from pipeline.store.read import snapshot as publish  # noqa: PLC0415

    settings = load(settings_file, store=store)
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as opened:
        click.echo(publish(opened, target))


if __name__ == "__main__":
    main()
