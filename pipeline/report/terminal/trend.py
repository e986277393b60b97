"""Trends on the terminal and as data."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.report.causes import printed_unit, with_sign
from pipeline.report.terminal.table_output import CSV, JSON, PARQUET, TABLE, TableOutput, put_out
from pipeline.report.trend.page import PICTURES, SURE_TREND, trend_page
from pipeline.report.wording import counted, left_out_text
from pipeline.store.database import Store
from pipeline.store.observations import Chosen, left_out, observations, people_left_out
from pipeline.trends.answer import ROW_COLUMNS, Trends, trends
from pipeline.trends.panel import day_of, quantity_title
from pipeline.trends.source import TOGETHER

if TYPE_CHECKING:
    from pipeline.settings import Settings

HTML: Final = "html"
TREND_FORMATS: Final = (TABLE, JSON, CSV, PARQUET, HTML)
_SHOWN: Final = 60
_CHANGES_SHOWN: Final = 40
_CHANGE_COLUMNS: Final = ["kind", "site", "date", "earliest", "latest", "before", "after", "evidence"]


def ask_trends(settings: Settings, chosen: Chosen, by: str, *, pictures: bool) -> tuple[Trends, dict[str, int]]:
    """Work out the trends of a store, and count the samples that were left out, by reason."""
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        # What changed at the source shows in these, whatever is asked for.
        read = tuple(dict.fromkeys([*chosen.analytes, *TOGETHER])) if chosen.analytes else ()
        found = observations(store, replace(chosen, analytes=read))
        out = left_out(store, chosen)
        held = people_left_out(store, chosen) if by == "operator" else {}
    answer = trends(found, by, PICTURES if pictures else 0, chosen.analytes)
    out |= {"without client and site": answer.nameless} if answer.nameless else {}
    return answer, out | {f"of these by {name} (--let-in hold tells what {name} reads)": held[name] for name in held}


def trend_text(answer: Trends, out: dict[str, int], chosen: Chosen, wanted: TableOutput) -> str:
    """Give the answer as it is wanted: to look at, or as data."""
    if wanted.form == TABLE:
        return put_out(pd.DataFrame(), wanted, lambda: _looked_at(answer, out, chosen))
    if wanted.form == HTML:
        return _page(answer, out, chosen, wanted)
    records = trend_records(answer)
    if wanted.form in {CSV, PARQUET}:
        records["season"] = records["season"].map(_as_json)
        records["changes"] = records["changes"].map(_as_json)
    return put_out(records, wanted, str)


def _page(answer: Trends, out: dict[str, int], chosen: Chosen, wanted: TableOutput) -> str:
    """Write the page, to the file that is named or to trend.html."""
    target = wanted.target or Path("trend.html")
    page = trend_page(answer, out, " ".join(_asked_for(chosen)))
    put_out(pd.DataFrame(), TableOutput(TABLE, target), lambda: page)
    return f"Page to read, print or send: {target}"


def _as_json(value: Any) -> str | None:  # noqa: ANN401 - what stands in a cell
    if value is None:
        return None
    return json.dumps(value, ensure_ascii=False)


def trend_records(answer: Trends) -> pd.DataFrame:
    """Give one record for each group, quantity and stage, with its changes as a list."""
    rows = answer.rows.reindex(columns=ROW_COLUMNS).copy()
    rows.insert(0, "by", answer.by)
    seasons = [season if isinstance(season, dict) else None for season in rows["season"]]
    told = changes_told(answer.changes)
    lists = {
        key: part[_CHANGE_COLUMNS].astype(object).where(part[_CHANGE_COLUMNS].notna(), None).to_dict("records")
        for key, part in told.groupby(["group", "analyte", "stage"])
    }
    keys = zip(rows["group"], rows["analyte"], rows["stage"], strict=True)
    changed = pd.Series([lists.get(key, []) for key in keys], index=rows.index, dtype="object")
    return rows.assign(season=pd.Series(seasons, index=rows.index, dtype="object"), changes=changed)


def changes_told(changes: pd.DataFrame) -> pd.DataFrame:
    """Write the times of changes as days."""
    if changes.empty:
        return changes.reindex(columns=["group", "analyte", "stage", *_CHANGE_COLUMNS])
    days = {name: [day_of(year) for year in changes[source]] for name, source in
            (("date", "at"), ("earliest", "earliest"), ("latest", "latest"))}  # fmt: skip
    return changes.assign(**days)


def _looked_at(answer: Trends, out: dict[str, int], chosen: Chosen) -> str:
    rows = answer.rows
    if rows.empty:
        return why_nothing(out, chosen, answer.by)
    tested = int(rows["p"].notna().sum())
    sure = rows[rows["q"] <= SURE_TREND].sort_values(["q", "p"])
    head = (
        f"{len(rows):,} series by {answer.by}, {tested:,} long enough to test; "
        f"{counted(len(sure), 'trend')} at q ≤ {SURE_TREND:g} (of ten such trends one may be chance)."
    )
    lines = [head]
    shown = pd.concat([sure, rows.drop(sure.index).sort_values("p", na_position="last")]).head(_SHOWN)
    lines += ["", _table(shown, answer.by)]
    if len(rows) > len(shown):
        lines.append(f"{len(rows) - len(shown):,} more series; --format json or csv gives all of them.")
    lines += ["", *_change_lines(changes_told(answer.changes))]
    lines += ["", *map(str, answer.renamed)] if answer.renamed else []
    if out:
        lines += ["", left_out_text(out)]
    return "\n".join(lines)


def why_nothing(out: dict[str, int], chosen: Chosen, by: str) -> str:
    """Say why there is no trend to tell."""
    asked = _asked_for(chosen)
    lines = [
        f"No rows: no sample that counts names {'an' if by[0] in 'aeiou' else 'a'} {by}"
        + (f" and fits {' '.join(asked)}." if asked else ".")
    ]
    if out:
        lines.append(left_out_text(out))
    return "\n".join(lines)


def _asked_for(chosen: Chosen) -> list[str]:
    names = ("client", "site", "region", "since", "until")
    asked = [f"--{name} {getattr(chosen, name)}" for name in names if getattr(chosen, name)]
    return asked + [f"--analyte {name}" for name in chosen.analytes] + [f"--stage {name}" for name in chosen.stages]


def _table(rows: pd.DataFrame, by: str) -> str:
    """Lay the series out in columns."""
    table = pd.DataFrame({
        by: rows["group"], "quantity": [quantity_title(name) for name in rows["analyte"]], "stage": rows["stage"],
        "sites": rows["sites"].astype("int64"), "samples": rows["samples"].astype("int64"),
        "<": [f"{100 * share:.0f} %" if share else "" for share in rows["censored"]],
        "median": [_number(value) for value in rows["median"]],
        "a year": [with_sign(value) for value in rows["slope_per_year"]],
        "95 %": [f"{with_sign(low)} to {with_sign(high)}" if np.isfinite(low + high) else "" for low, high in
                 zip(rows["slope_low"], rows["slope_high"], strict=True)],
        "unit": [printed_unit(unit) for unit in rows["unit"]],
        "q": [f"{q:.2g}" if np.isfinite(q) else "too short" for q in rows["q"]],
        "unmatched": [with_sign(value) for value in rows["pooled_slope"]],
    })  # fmt: skip
    if "bias" in rows:
        table["reads"] = [
            _reads(row)
            for row in rows[["bias", "bias_low", "bias_high", "bias_measure", "bias_named", "analyte"]].itertuples()
        ]
        table = table.drop(columns=["<", "unmatched"])
    text = table.to_string(index=False)
    note = "unmatched: the slope that medians of whoever was sampled would show."
    return text if "bias" in rows else f"{text}\n{note}"


def _reads(row: Any) -> str:  # noqa: ANN401 - a row of a frame
    if not np.isfinite(row.bias):
        return ""
    scale, sign = (100.0, " %") if row.bias_measure == "reading" and row.analyte != "ph" else (1.0, "")
    sign = " drops" if row.bias_measure == "drops" else sign
    mark = "  ←" if row.bias_named is True else ""
    return f"{scale * row.bias:+.1f}{sign} ({scale * row.bias_low:+.1f} to {scale * row.bias_high:+.1f}){mark}"


def _number(value: float) -> str:
    return f"{value:.3g}" if np.isfinite(value) else ""


def _change_lines(changes: pd.DataFrame) -> list[str]:
    """Tell each change once, however many quantities show it."""
    if changes.empty:
        return ["No change of a source, a medium or an instrument."]
    once = changes.drop_duplicates(["kind", "site", "earliest", "latest", "evidence"]).sort_values(
        "date", ascending=False
    )
    lines = [counted(len(once), "change") + ":"]
    for row in once.head(_CHANGES_SHOWN).to_dict("records"):
        where = " · ".join(part for part in (row["group"], row["site"] if row["site"] != row["group"] else "") if part)
        values = f"{_number(row['before'])} → {_number(row['after'])}"
        lines.append(
            f"  {row['earliest']} to {row['latest']}  {row['kind']}, {where} ({quantity_title(row['analyte'])}): "
            f"{values}; {row['evidence']}"
        )
    if len(once) > _CHANGES_SHOWN:
        lines.append(f"  {len(once) - _CHANGES_SHOWN:,} more; --format json gives all of them.")
    return lines
