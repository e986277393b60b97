"""`picture`: waters, sites and controls drawn, on a page with their numbers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pipeline.bench.controls import CHART_GROUPS
from pipeline.commands.options import among, settings
from pipeline.commands.trend import quantity_asked
from pipeline.errors import EXIT_CANNOT, EXIT_CLEAN, UNCHANGED, KettlestoneError
from pipeline.report.pictures.answer import PICTURE_KINDS, Wanted, picture_of
from pipeline.report.pictures.page import picture_page
from pipeline.report.pictures.svg import as_file
from pipeline.report.terminal.table_output import CSV, JSON, PARQUET, TABLE, TableOutput, plain_table, put_out
from pipeline.report.terminal.trend import HTML
from pipeline.visible import echo

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.pictures.answer import DrawnAnswer
    from pipeline.settings import Settings
    from pipeline.store.observations import Chosen

_SVG: Final = "svg"
_FORMATS: Final = (HTML, _SVG, TABLE, CSV, JSON, PARQUET)


@click.command
@click.argument("kind", type=click.Choice(list(PICTURE_KINDS)))
@click.option(
    "--analyte", "analytes", multiple=True, help="Quantity of a map, a history or control charts; may be repeated."
)
@among
@click.option(
    "--by",
    "grouping",
    type=click.Choice(CHART_GROUPS),
    default=CHART_GROUPS[0],
    help="What has a control chart [instrument].",
)
@click.option("--format", "form", type=click.Choice(_FORMATS), help="Page, drawing alone, or its numbers [html].")
@click.option("--out", "target", type=click.Path(path_type=Path), help="Write to this file [KIND.html].")
@settings
def command(
    kind: str,
    analytes: tuple[str, ...],
    among: Chosen,
    grouping: str,
    form: str | None,
    target: Path | None,
    settings: Settings,
) -> None:
    """Draw a picture of KIND, on a page with its numbers.

    trilinear, pattern and semi-log show complete analyses (Piper 1944, Stiff 1951, Schoeller 1935); density raw waters
    in hardness and alkalinity; map the sites by their coordinates; history one site; control the charts of standards.
    Small pictures of trends by region are those of trend --html.

    \b
    kettlestone picture trilinear --region North
    kettlestone picture history --site TF-1 --out tf1.html
    kettlestone picture map --analyte chloride --format svg --out map.svg
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    picture = picture_of(settings, kind, Wanted(among, tuple(quantity_asked(name) for name in analytes), grouping))
    if not picture.drawings:
        echo(picture.why_none)
        raise SystemExit(EXIT_CANNOT)
    form = form or (target.suffix.lower().removeprefix(".") if target else HTML)
    form = form if form in _FORMATS else HTML
    asked = " · ".join(f"{name} {text}" for name in ("client", "site", "region") if (text := getattr(among, name)))
    echo(_put(picture, TableOutput(form, target), kind, asked))
    raise SystemExit(EXIT_CLEAN)


def _put(picture: DrawnAnswer, wanted: TableOutput, kind: str, asked: str) -> str:
    """Write the page, the drawing or the numbers, and say where."""
    if wanted.form == HTML:
        target = wanted.target or Path(f"{kind}.html")
        _write(picture.numbers, picture_page(picture, asked), target)
        return f"Page to read, print or send: {target}"
    if wanted.form == _SVG:
        if len(picture.drawings) > 1:
            raise KettlestoneError(
                f"these are {len(picture.drawings)} pictures, and an SVG holds one.\n  {UNCHANGED}\n"
                "  Narrow them with --analyte, or write a page (--format html)."
            )
        target = wanted.target or Path(f"{kind}.svg")
        _write(picture.numbers, as_file(picture.drawings[0][1]), target)
        return f"Drawing: {target}"
    return put_out(picture.numbers, wanted, lambda: plain_table(picture.numbers, picture.why_none))


def _write(numbers: pd.DataFrame, text: str, target: Path) -> None:
    put_out(numbers, TableOutput(TABLE, target), lambda: text)
