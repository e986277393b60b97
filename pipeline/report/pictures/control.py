"""A control chart as a picture: readings, limits, broken rules and the moving average."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

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
from pipeline.report.sentences import decimal_marks, quantity_said
from pipeline.words.labels import counted_in, label_in

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable

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
_NUMBERS: Final = {"mean": "mean", "low": "warning_low", "high": "warning_high"}
_GRAVE: Final = ("1 3s", "2 2s", "R 4s", "4 1s", "10 x")


def control_chart_svg(points: pd.DataFrame, language: str = "en") -> str:
    """Draw one control chart.

    Parameters
    ----------
    points : (n, …) the rows of ``pipeline.bench.controls.chart_points`` of one quantity and group, in the order of
        time; at least one.
    language : of the words.

    Returns
    -------
    SVG, self-contained and without scripts: dots joined by a line; warning limits dashed, action limits drawn through;
    a broken rule is a cross with its name, a warning a hollow triangle; the moving average is the thin line between
    its own limits. Without limits (fewer than twenty readings) only the readings and their mean.
    """
    shown = points.tail(_SHOWN).reset_index(drop=True)
    one = points.iloc[0]
    title = f"{quantity_said(str(one['analyte']), language)}, {one['group'] or label_in('not named', language)}"
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
    parts += [words_at(_LEFT - 6, up(tick) + 4, _written(tick, language), "end", fill=SOFT) for tick in ticks]
    parts += _limits(one, up, language)
    parts += _days(shown, across)
    if shown["average_low"].notna().all():
        for name, dash in (("average_low", "1 3"), ("average_high", "1 3"), ("average", "none")):
            way = zip(map(across, range(len(shown))), map(up, shown[name]), strict=True)
            parts.append(polyline(way, BLUE, stroke_width=1.2, stroke_dasharray=dash))
    parts.append(polyline(zip(map(across, range(len(shown))), map(up, value), strict=True), SOFT, stroke_width=0.8))
    parts += [
        _dot(row, across(place), up(row["value"]), language) for place, row in enumerate(shown.to_dict("records"))
    ]
    parts.append(words_at(_LEFT, _HEIGHT - 6, label_in(str(one["unit"]), language), fill=SOFT))
    return drawing(_WIDTH, _HEIGHT, title, _told(points, language), parts)


def _limits(one: pd.Series, up: Callable[[float], float], language: str) -> list[str]:
    """Draw mean and limits, each with its name and figure at the right."""
    drawn = []
    if np.isfinite(one["warning_low"]):
        top, bottom = up(one["warning_high"]), up(one["warning_low"])
        drawn.append(tag("rect", x=_LEFT, y=top, width=_WIDTH - _LEFT - _RIGHT, height=bottom - top, fill=WASH))
    for name, word, ink, dash in _LIMITS:
        if np.isfinite(one[name]):
            at = up(one[name])
            drawn.append(line(_LEFT, at, _WIDTH - _RIGHT, at, ink, stroke_dasharray=dash, stroke_width=1.3))
            said = f"{label_in(word, language)} {_written(one[name], language)}"
            drawn.append(words_at(_WIDTH - _RIGHT + 5, at + 4, said, fill=ink, font_size="11"))
    return drawn


def _days(shown: pd.DataFrame, across: Callable[[float], float]) -> list[str]:
    """Write the days of some readings; their places are one reading apart, however long the time between them."""
    places = np.arange(0, len(shown), -(-len(shown) // _TICKS))
    days = ["" if pd.isna(shown["on"][place]) else f"{shown['on'][place]:%Y-%m-%d}" for place in places]
    return [
        words_at(across(place), _HEIGHT - _BOTTOM + 16, day, "middle", fill=SOFT, font_size="11")
        for place, day in zip(places.tolist(), days, strict=True)
    ]


def _written(value: float, language: str) -> str:
    return decimal_marks(significant(float(value), 4), language)


def _dot(row: dict[Hashable, Any], x: float, y: float, language: str) -> str:
    rule = str(row["rule"])
    unit = label_in(str(row["unit"]), language)
    title = f"{row['called']}, {str(row['on'])[:10]}: {_written(row['value'], language)} {unit}"
    if rule in _GRAVE:
        broken = f"{title}; {label_in('rule {rule}', language, rule=rule)}"
        return mark("cross", x, y, 5.5, broken, ink=RUST) + words_at(
            x, y - 9, rule, "middle", fill=RUST, font_size="10"
        )
    if rule:
        return mark("triangle", x, y, 4.5, f"{title}; {label_in('beyond a warning limit', language)}", hollow=True)
    return mark("circle", x, y, 2.6, title)


def _told(points: pd.DataFrame, language: str) -> str:
    """Say the chart in words."""
    one, rules = points.iloc[0], [rule for rule in points["rule"] if rule in _GRAVE]
    count = counted_in(len(points), "reading", language)
    if not np.isfinite(one["warning_low"]):
        return label_in("{count}; too few for limits.", language, count=count)
    return label_in(
        "{count}, mean {mean} {unit}, warning limits {low} to {high}; rules broken: {broken}.",
        language,
        count=count,
        unit=label_in(str(one["unit"]), language),
        broken=len(rules),
        **{name: _written(one[column], language) for name, column in _NUMBERS.items()},
    )
