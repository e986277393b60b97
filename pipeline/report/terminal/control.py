"""Answer to `control`: the charts of the controls in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from pipeline.report.causes import printed_unit, significant
from pipeline.report.sentences import decimal_marks, quantity_said
from pipeline.words.labels import counted_in, label_in

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
_NONE: Final = (
    "The store has no control whose true value its label says, and no seven blanks of a method.",
    "Blanks, standards and buffers are known by their words, for example “KCl 1413”, “CHK-100”, “Buffer 7.00”.",
)
_SHOWN: Final = 3  # breaks told of a chart, the latest


def charts_text(charts: pd.DataFrame, by: str, language: str = "en") -> str:
    """Word the charts, a paragraph each."""
    if charts.empty:
        return "\n".join(label_in(line, language) for line in _NONE)
    told = [line for row in charts.to_dict("records") for line in _paragraph(row, by, language)]
    return "\n".join(
        [*told, label_in("Kits against the laboratory: kettlestone query kit-against-laboratory.", language)]
    )


def _paragraph(row: dict[Any, Any], by: str, language: str) -> list[str]:
    title = quantity_said(str(row["analyte"]), language)
    group = str(row["group"]) or label_in(f"no {by} named", language)
    standards = counted_in(int(row["readings"]), "standard", language)
    lines = [f"{_SIGNS[row['state']]} {label_in(row['state'], language)}  {title}, {group}: {standards}"]
    if not math.isnan(float(row["mean"])):
        numbers = {"mean": _written(row["mean"], language), "deviation": _written(row["deviation"], language, 3)}
        lines[0] += label_in(
            ", mean {mean}, s {deviation} {unit}", language, unit=label_in(row["unit"], language), **numbers
        )
        lines += _limits(row, language)
    if row["drift_since"]:
        said = "The moving average has left its limits since {day}: look for drift."
        lines.append(f"    {label_in(said, language, day=row['drift_since'])}")
    if not math.isnan(float(row["detection_limit"])):
        lines.append(f"    {_detection(row, language)}")
    return lines


def _limits(row: dict[Any, Any], language: str) -> list[str]:
    """Say the limits of a chart and the last rules that were broken, or that there are too few readings."""
    if row["state"] == "too few":
        return [f"    {label_in('Limits need 20 readings.', language)}"]
    ends = {
        f"{name}_{end}": _written(row[f"{name}_{end}"], language)
        for name in ("warning", "action")
        for end in ("low", "high")
    }
    said = "warning {warning_low} to {warning_high}, action {action_low} to {action_high}; last {last} on {day}"
    lines = [label_in(said, language, last=_written(row["last"], language), day=row["last_on"], **ends)]
    broken = [part for part in str(row["breaks"]).split(", ") if part][-_SHOWN:]
    lines += [f"{part[:10]}: {label_in(RULES[part[11:]], language)}" for part in broken]
    return [f"    {line}" for line in lines]


def _written(value: float, language: str, digits: int = 4) -> str:
    return decimal_marks(significant(float(value), digits), language)


def _detection(row: dict[Any, Any], language: str) -> str:
    """Say the detection limit and what it rests on."""
    unit = printed_unit(str(row["detection_unit"]))
    known = {
        name: f"{_written(row[column], language, 2)} {unit}"
        for name, column in (("blanks", "limit_by_blanks"), ("spikes", "limit_by_spikes"))
        if not math.isnan(float(row[column]))
    }
    if len(known) == 1:
        [(name, limit)] = known.items()
        return label_in(f"Detection limit from {name}: {{limit}}.", language, limit=limit)
    whole = f"{_written(row['detection_limit'], language, 2)} {unit}"
    said = "Detection limit: {whole}, the larger of {blanks} from blanks and {spikes} from spikes."
    return label_in(said, language, whole=whole, **known)
