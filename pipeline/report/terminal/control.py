"""Answer to `control`: the charts of the controls in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from pipeline.bench.control_chart import BASELINE
from pipeline.report.causes import printed_unit, significant
from pipeline.report.wording import counted
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import pandas as pd

RULES: Final = {
    "1 3s": "beyond the action limit",
    "2 2s": "two in a row beyond one warning limit",
    "R 4s": "one above and one below the warning limits in a row",
    "4 1s": "four in a row beyond one standard deviation on one side",
    "10 x": "ten in a row on one side",
}
_SIGNS: Final = {"out of control": "✕", "drifting": "■", "warning": "△", "in control": "○", "too few": "◇"}
_SHOWN: Final = 3  # breaks told of a chart, the latest


def charts_text(charts: pd.DataFrame, by: str) -> str:
    """Word the charts, a paragraph each."""
    if charts.empty:
        return (
            "The store has no control whose true value its label says, and no seven blanks of a method.\n"
            "Blanks, standards and buffers are known by their words, for example “KCl 1413”, “CHK-100”, “Buffer 7.00”."
        )
    told = [line for row in charts.to_dict("records") for line in _paragraph(row, by)]
    ends = "Kits against the laboratory: kettlestone query kit-against-laboratory."
    return "\n".join([*told, ends])


def _paragraph(row: dict[Any, Any], by: str) -> list[str]:
    analyte = str(row["analyte"])
    title = ANALYTES[analyte].title if analyte in ANALYTES else analyte
    group = str(row["group"]) or f"no {by} named"
    lines = [f"{_SIGNS[row['state']]} {row['state']}  {title}, {group}: {counted(int(row['readings']), 'standard')}"]
    if not math.isnan(float(row["mean"])):
        lines[0] += f", mean {significant(row['mean'])}, s {significant(row['deviation'], 3)} {row['unit']}"
        if row["state"] == "too few":
            lines.append(f"    Limits need {BASELINE} readings.")
        else:
            warning, action = (
                f"{significant(row[f'{name}_low'])} to {significant(row[f'{name}_high'])}"
                for name in ("warning", "action")
            )
            last = f"last {significant(row['last'])} on {row['last_on']}"
            lines.append(f"    warning {warning}, action {action}; {last}")
    broken = [part for part in str(row["breaks"]).split(", ") if part][-_SHOWN:]
    if row["state"] != "too few":
        lines += [f"    {part[:10]}: {RULES[part[11:]]}" for part in broken]
    if row["drift_since"]:
        lines.append(f"    The moving average has left its limits since {row['drift_since']}: look for drift.")
    if not math.isnan(float(row["detection_limit"])):
        lines.append(f"    {_detection(row)}")
    return lines


def _detection(row: dict[Any, Any]) -> str:
    """Say the detection limit and what it rests on."""
    unit = printed_unit(str(row["detection_unit"]))
    known = {
        name: f"{significant(float(row[column]), 2)} {unit}"
        for name, column in (("blanks", "limit_by_blanks"), ("spikes", "limit_by_spikes"))
        if not math.isnan(float(row[column]))
    }
    if len(known) == 1:
        [(name, limit)] = known.items()
        return f"Detection limit from {name}: {limit}."
    whole = f"{significant(float(row['detection_limit']), 2)} {unit}"
    return f"Detection limit: {whole}, the larger of {known['blanks']} from blanks and {known['spikes']} from spikes."
