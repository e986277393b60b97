"""`trend`: what drifts, what changed, and who reads high or low."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pipeline.commands.options import JSON, among, settings
from pipeline.did_you_mean import did_you_mean
from pipeline.report.terminal.table_output import TABLE, TableOutput
from pipeline.report.terminal.trend import HTML, TREND_FORMATS, ask_trends, trend_text
from pipeline.trends.answer import GROUPS
from pipeline.visible import echo
from schemas.columns import ANALYTES, OTHER_ANALYTES

if TYPE_CHECKING:
    from pipeline.settings import Settings
    from pipeline.store.observations import Chosen

_LET_IN: Final = ("unjudged", "hold", "reject", "controls")


@click.command
@click.option("--by", "grouping", type=click.Choice(GROUPS), default="region", help="What is told apart [region].")
@click.option("--analyte", "analytes", multiple=True, help="Only of this quantity; may be repeated.")
@among
@click.option("--let-in", multiple=True, type=click.Choice(_LET_IN), help="Count these samples too; may be repeated.")
@click.option("--format", "form", type=click.Choice(TREND_FORMATS), help="How the answer is written [table].")
@click.option("--html", is_flag=True, help="One page to read or print: the same as --format html.")
@click.option("--out", "target", type=click.Path(path_type=Path), help="Write the answer to this file.")
@settings
@JSON
def command(
    grouping: str,
    analytes: tuple[str, ...],
    among: Chosen,
    let_in: tuple[str, ...],
    form: str | None,
    target: Path | None,
    settings: Settings,
    *,
    html: bool,
    as_json: bool,
) -> None:
    """Say what drifts, what changed since when, and how sure that is.

    Every site is compared only with itself; a region's trend is that of its sites together. Samples on hold,
    rejected or not judged and laboratory controls do not count unless let in.

    \b
    kettlestone trend --by region
    kettlestone trend --by site --analyte chloride --since 2020-01-01 --json
    kettlestone trend --by instrument --analyte conductivity
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    verdicts = ("ok", "note", *(word for word in let_in if word != "controls"))
    asked = tuple(quantity_asked(name) for name in analytes)
    chosen = replace(among, analytes=asked, verdicts=verdicts, controls="controls" in let_in)
    form = "json" if as_json else HTML if html else form or _of_name(target)
    answer, out = ask_trends(settings, chosen, grouping, pictures=form == HTML)
    echo(trend_text(answer, out, chosen, TableOutput(form, target)))


def _of_name(target: Path | None) -> str:
    """Take the format of a file that is named for it: trend.csv is CSV."""
    named = target.suffix.lower().removeprefix(".") if target else ""
    return named if named in TREND_FORMATS else TABLE


def quantity_asked(name: str) -> str:
    """Give the code of a quantity as people name it; an unknown one is a wrong use of the command."""
    known = {**ANALYTES, **OTHER_ANALYTES}
    code = name.strip().lower().replace(" ", "_").replace("-", "_")
    code = {"hardness": "total_hardness", "ec": "conductivity"}.get(code, code)
    if code not in known:
        raise click.UsageError(f'there is no quantity "{name}"{did_you_mean(code, list(known))}')
    return code
