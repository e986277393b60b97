"""A site through the years: every reading, what was found in it, changes of the water and of the treatment."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pipeline.report.pictures.svg import (
    BLUE,
    INK,
    LINE,
    RUST,
    SOFT,
    drawing,
    line,
    mark,
    polyline,
    round_scale,
    tag,
    words_at,
    year_ticks,
)
from pipeline.report.wording import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd

_WIDTH, _PANEL = 640.0, 170.0
_LEFT, _RIGHT, _TOP, _BETWEEN = 58.0, 16.0, 66.0, 46.0
_GRAVE: Final = ("hold", "reject")
HISTORY_COLUMNS: Final = ("year", "value", "stage", "verdict", "title", "panel")


def history_svg(readings: pd.DataFrame, changes: pd.DataFrame, fitted: pd.DataFrame, title: str) -> str:
    """Draw the history of a site.

    Parameters
    ----------
    readings : (n, …) HISTORY_COLUMNS: time in years, value, stage, verdict of its sample, words for the pointer, and
        the quantity with its unit as the panel it stands in; panels in the order of their first row.
    changes : `earliest latest panel word`: when, in years, something changed, and what, in a word.
    fitted : `year word`: what was fitted or changed at the site.
    title : name of the site.

    Returns
    -------
    SVG. Full circles are raw water, hollow squares treated water, crosses samples that are on hold or rejected,
    triangles those with a note. A shaded stretch is the gap in which a change happened; a dashed upright line is a
    treatment.
    """
    times = np.concatenate([readings["year"], fitted["year"], changes["earliest"], changes["latest"]]).astype(float)
    first, last = float(times.min()), float(times.max())
    room = max(0.03 * (last - first), 0.02)
    first, last = first - room, last + room

    def across(year: float) -> float:
        return _LEFT + (year - first) / (last - first) * (_WIDTH - _LEFT - _RIGHT)

    parts = [words_at(_LEFT, 16, title, font_weight="600"), *_legend(36.0)]
    panels = list(dict.fromkeys(readings["panel"]))
    for place, panel in enumerate(panels):
        top = _TOP + place * (_PANEL + _BETWEEN)
        parts += _panel(readings[readings["panel"] == panel], changes[changes["panel"] == panel], panel, top, across)
        for tick in year_ticks(first, last):
            parts.append(line(across(tick), top + _PANEL, across(tick), top + _PANEL + 4))
            parts.append(words_at(across(tick), top + _PANEL + 17, f"{tick:g}", "middle", fill=SOFT, font_size="11"))
        for row in fitted.to_dict("records"):
            x = across(row["year"])
            parts.append(line(x, top, x, top + _PANEL, INK, stroke_dasharray="5 4"))
            parts.append(words_at(x + 3, top + 11, row["word"], font_size="10"))
    told = f"{counted(len(readings), 'reading')} and {counted(len(changes), 'change')}."
    return drawing(_WIDTH, _TOP + len(panels) * (_PANEL + _BETWEEN), f"History of {title}", told, parts)


def _legend(y: float) -> list[str]:
    kinds = (("circle", False, INK, "raw"), ("square", True, BLUE, "treated"), ("triangle", True, INK, "note"),
             ("cross", False, RUST, "on hold or rejected"))  # fmt: skip
    drawn, x = [], _LEFT + 4
    for kind, hollow, ink, word in kinds:
        drawn += [
            mark(kind, x, y - 4, 3.6, hollow=hollow, ink=ink),
            words_at(x + 9, y, word, font_size="11", fill=SOFT),
        ]
        x += 26 + 6.4 * len(word)
    return drawn


def _panel(
    own: pd.DataFrame, changes: pd.DataFrame, name: str, top: float, across: Callable[[float], float]
) -> list[str]:
    low, high, ticks = round_scale(float(own["value"].min()), float(own["value"].max()), 4)
    high = high if high > low else low + 1.0

    def up(value: float) -> float:
        return top + _PANEL - (value - low) / (high - low) * _PANEL

    drawn = [words_at(_LEFT, top - 6, name, font_size="11")]
    for row in changes.to_dict("records"):
        x, end = across(row["earliest"]), across(row["latest"])
        drawn.append(tag("rect", x=x, y=top, width=max(end - x, 2.0), height=_PANEL, fill=RUST, fill_opacity=".18"))
        drawn.append(words_at(x + 2, top + _PANEL - 5, row["word"], font_size="10", fill=RUST))
    drawn += [line(_LEFT, up(tick), _WIDTH - _RIGHT, up(tick), LINE) for tick in ticks]
    drawn += [words_at(_LEFT - 6, up(tick) + 4, f"{tick:g}", "end", fill=SOFT, font_size="11") for tick in ticks]
    good = own[~own["verdict"].isin(_GRAVE)].sort_values("year")
    for raw in (True, False):
        side = good[(good["stage"] == "raw") == raw]
        drawn.append(
            polyline(zip(map(across, side["year"]), map(up, side["value"]), strict=True), SOFT, stroke_width=0.7)
        )
    return drawn + [_dot(row, across(row["year"]), up(row["value"])) for row in own.to_dict("records")]


def _dot(row: Mapping[Any, Any], x: float, y: float) -> str:
    words, raw = str(row["title"]), row["stage"] == "raw"
    if row["verdict"] in _GRAVE:
        return mark("cross", x, y, 4.4, words, ink=RUST)
    if row["verdict"] == "note":
        return mark("triangle", x, y, 3.8, words, hollow=True, ink=INK if raw else BLUE)
    return mark("circle" if raw else "square", x, y, 3.0, words, hollow=not raw, ink=INK if raw else BLUE)
