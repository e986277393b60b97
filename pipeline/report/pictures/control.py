"""A control chart as a picture: readings, limits, broken rules and the moving average."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.report.causes import significant
from pipeline.report.pictures.svg import (
    BLUE,
    INK,
    LINE,
    RUST,
    SOFT,
    WASH,
    drawing,
    line,
    mark,
    polyline,
    round_scale,
    tag,
    words_at,
)
from pipeline.report.wording import counted
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Callable

_WIDTH, _HEIGHT = 640.0, 300.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 58.0, 96.0, 34.0, 40.0
_TICKS: Final = 6
_SHOWN: Final = 120  # readings, the latest
_LIMITS: Final = (
    ("mean", "mean", INK, "none"),
    ("warning_low", "warning", SOFT, "6 4"),
    ("warning_high", "warning", SOFT, "6 4"),
    ("action_low", "action", RUST, "none"),
    ("action_high", "action", RUST, "none"),
)
_GRAVE: Final = ("1 3s", "2 2s", "R 4s", "4 1s", "10 x")


def control_chart_svg(points: pd.DataFrame) -> str:
    """Draw one control chart.

    Parameters
    ----------
    points : (n, …) the rows of ``pipeline.bench.controls.chart_points`` of one quantity and group, in the order of
        time.

    Returns
    -------
    SVG, self-contained and without scripts: dots joined by a line; warning limits dashed, action limits drawn through;
    a broken rule is a cross with its name, a warning a hollow triangle; the moving average is the thin line between
    its own limits. Without limits (fewer than twenty readings) only the readings and their mean.
    """
    shown = points.tail(_SHOWN).reset_index(drop=True)
    one = points.iloc[0]
    title = f"{_quantity(one['analyte'])}, {one['group'] or 'not named'}"
    value = shown["value"].to_numpy(dtype=np.float64)
    limits = [float(one[name]) for name in ("action_low", "action_high")]
    ends = [value.min(), value.max(), *(limit for limit in limits if np.isfinite(limit))]
    low, high, ticks = round_scale(min(ends), max(ends))

    def across(place: float) -> float:
        return _LEFT + (place + 0.5) / len(shown) * (_WIDTH - _LEFT - _RIGHT)

    def up(number: float) -> float:
        return _HEIGHT - _BOTTOM - (number - low) / (high - low) * (_HEIGHT - _TOP - _BOTTOM)

    parts = [words_at(_LEFT, 18, title, font_weight="600")]
    parts += [line(_LEFT, up(tick), _WIDTH - _RIGHT, up(tick), LINE) for tick in ticks]
    parts += [words_at(_LEFT - 6, up(tick) + 4, f"{tick:g}", "end", fill=SOFT) for tick in ticks]
    parts += _limits(one, up)
    parts += _days(shown, across)
    if shown["average_low"].notna().all():
        for name, dash in (("average_low", "1 3"), ("average_high", "1 3"), ("average", "none")):
            way = zip(map(across, range(len(shown))), map(up, shown[name]), strict=True)
            parts.append(polyline(way, BLUE, stroke_width=1.2, stroke_dasharray=dash))
    parts.append(polyline(zip(map(across, range(len(shown))), map(up, value), strict=True), SOFT, stroke_width=0.8))
    parts += [_dot(row, across(place), up(row["value"])) for place, row in enumerate(shown.to_dict("records"))]
    parts.append(words_at(_LEFT, _HEIGHT - 6, str(one["unit"]), fill=SOFT))
    return drawing(_WIDTH, _HEIGHT, title, _told(points), parts)


def _quantity(analyte: str) -> str:
    return ANALYTES[analyte].title if analyte in ANALYTES else analyte


def _limits(one: pd.Series, up: Callable[[float], float]) -> list[str]:
    """Draw mean and limits, each with its name and figure at the right."""
    drawn = []
    if np.isfinite(one["warning_low"]):
        top, bottom = up(one["warning_high"]), up(one["warning_low"])
        drawn.append(tag("rect", x=_LEFT, y=top, width=_WIDTH - _LEFT - _RIGHT, height=bottom - top, fill=WASH))
    for name, word, ink, dash in _LIMITS:
        if np.isfinite(one[name]):
            at = up(one[name])
            drawn.append(line(_LEFT, at, _WIDTH - _RIGHT, at, ink, stroke_dasharray=dash, stroke_width=1.3))
            drawn.append(
                words_at(_WIDTH - _RIGHT + 5, at + 4, f"{word} {significant(one[name], 4)}", fill=ink, font_size="11")
            )
    return drawn


def _days(shown: pd.DataFrame, across: Callable[[float], float]) -> list[str]:
    """Write the days of some readings; their places are one reading apart, however long the time between them."""
    places = np.arange(0, len(shown), -(-len(shown) // _TICKS))
    days = ["" if pd.isna(shown["on"][place]) else f"{shown['on'][place]:%Y-%m-%d}" for place in places]
    return [
        words_at(across(place), _HEIGHT - _BOTTOM + 16, day, "middle", fill=SOFT, font_size="11")
        for place, day in zip(places.tolist(), days, strict=True)
    ]


def _dot(row: dict[object, object], x: float, y: float) -> str:
    rule = str(row["rule"])
    title = f"{row['called']}, {str(row['on'])[:10]}: {significant(float(str(row['value'])), 4)} {row['unit']}"
    if rule in _GRAVE:
        return mark("cross", x, y, 5.5, f"{title}; rule {rule}", ink=RUST) + words_at(
            x, y - 9, rule, "middle", fill=RUST, font_size="10"
        )
    if rule:
        return mark("triangle", x, y, 4.5, f"{title}; beyond a warning limit", hollow=True)
    return mark("circle", x, y, 2.6, title)


def _told(points: pd.DataFrame) -> str:
    """Say the chart in words."""
    one, rules = points.iloc[0], [rule for rule in points["rule"] if rule in _GRAVE]
    if not np.isfinite(one["warning_low"]):
        return f"{counted(len(points), 'reading')}; too few for limits."
    broken = f"{counted(len(rules), 'reading')} broke a rule" if rules else "no rule was broken"
    return (
        f"{counted(len(points), 'reading')}, mean {significant(one['mean'], 4)} {one['unit']}, warning limits "
        f"{significant(one['warning_low'], 4)} to {significant(one['warning_high'], 4)}; {broken}."
    )
