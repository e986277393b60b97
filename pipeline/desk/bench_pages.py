"""The pages of the bench: control charts, and prepared questions to the store."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any, Final

from flask import request
from markupsafe import Markup

from pipeline.bench.controls import CHART_GROUPS, chart_points, control_charts, control_readings
from pipeline.desk.evidence import quantity_called
from pipeline.desk.pages import desk_settings, label, language, page, plain_rows, reading
from pipeline.errors import KettlestoneError
from pipeline.report.pictures.control import control_chart_svg
from pipeline.report.terminal.control import RULES
from pipeline.report.terminal.queries import tables_of_changes
from pipeline.store.questions import QueryScope, answer_columns, named_queries, query

if TYPE_CHECKING:
    import pandas as pd
    from flask.typing import ResponseReturnValue

_ROWS: Final = 500
_SECONDS: Final = 20.0


def show_control() -> ResponseReturnValue:
    """Draw the control charts by instrument, method, operator or lot of reagent."""
    by = request.args.get("by", CHART_GROUPS[0])
    if by not in CHART_GROUPS:
        raise KettlestoneError(label("Charts are drawn by {groups}.", groups=", ".join(CHART_GROUPS)))
    told = control_readings(desk_settings())
    points = chart_points(told, by)
    charts = plain_rows(control_charts(told, by))
    drawn = [{**row, **_drawn(points, row), "title": quantity_called(row["analyte"])} for row in charts]
    return page("control.html", charts=drawn, by=by, groups=CHART_GROUPS, rules=RULES)


def _drawn(points: pd.DataFrame, row: dict[str, Any]) -> dict[str, Any]:
    """Draw a chart, and list the rules that were broken with their days."""
    own = points[(points["analyte"] == row["analyte"]) & (points["group"] == row["group"])]
    broken = [(part[:10], part[11:]) for part in str(row["breaks"] or "").split(", ") if part]
    drawn = control_chart_svg(own, language()) if len(own) > 1 else ""
    return {"picture": Markup(drawn), "broken": broken}  # noqa: S704 - svg.py escapes every text


def show_questions() -> ResponseReturnValue:
    """Answer a prepared question, of all samples or of some."""
    name = request.args.get("name", "")
    region, client, since = (request.args.get(part, "").strip() for part in ("region", "client", "since"))
    asked = {"region": region, "client": client, "since": since}
    names = named_queries()
    if not name:
        return page("questions.html", names=names, name="", asked=asked, columns=[], rows=[], meanings={}, cut=False)
    if name not in names:
        raise KettlestoneError(label("There is no question of that name."))
    scope = QueryScope(region, client, _since(since), most_rows=_ROWS, most_seconds=_SECONDS)
    with reading() as store:
        found = query(store, name, asked=scope, given=tables_of_changes(scope))
    return page(
        "questions.html",
        names=names,
        name=name,
        asked=asked,
        columns=list(found.columns),
        rows=plain_rows(found),
        meanings=answer_columns(name),
        cut=bool(found.attrs.get("cut")),
    )


def _since(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise KettlestoneError(label('"{text}" is no day. Write it as 2025-03-14.', text=text)) from error
