"""One client's waters on the field of hardness and alkalinity, as numbers a template draws.

Shapes, line kinds and words carry everything, so that a grey print says the same as a screen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pipeline.assess.planning import MOST_C
from pipeline.assess.profiles import HARDNESS_CODES as HARDNESS_BANDS
from pipeline.site.record import ALKALINITY, HARDNESS
from pipeline.site.scale_limit import scale_limit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.assess.profiles import Profile
    from pipeline.report.client.units import OwnUnit
    from pipeline.site.water import SiteWater

WIDTH, HEIGHT = 380.0, 216.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 12.0, 12.0, 38.0
_ROOM: Final = 1.1  # beyond the largest reading, so that labels fit
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_MOST_TICKS: Final = 6
_STROKES: Final = 16
_ARROW: Final = 9.0
_LINES_OFF: Final = 5
_LINE, _LETTER = 11.0, 6.2  # height and mean width of text
Box = tuple[float, float, float, float]  # left, top, width, height


class Spot(NamedTuple):
    """A water on the chart: its middle, its box of uncertainty, and the middle of its label."""

    kind: str
    x: float
    y: float
    left: float
    top: float
    width: float
    height: float
    label_x: float
    label_y: float


@dataclass(frozen=True)
class ClientChart:
    """Everything the template draws, in picture units.

    Attributes
    ----------
    x_ticks, y_ticks : place and value in the client's unit.
    window : left, top, width, height of the profile, or None where it limits only one of the two.
    written : where the words for the window and for the line begin, left and base.
    scale : points of the line above which much lime scale drops; empty where it lies outside.
    strokes : short lines on the side with the scale.
    spots : waters, in the order raw, treated, expected.
    arrows : from the raw water: kind of the aim, and x1 y1 x2 y2.
    """

    x_ticks: list[tuple[float, float]]
    y_ticks: list[tuple[float, float]]
    window: tuple[float, float, float, float] | None
    written: list[tuple[float, float]]
    scale: list[tuple[float, float]]
    strokes: list[tuple[float, float, float, float]]
    spots: list[Spot]
    arrows: list[tuple[str, float, float, float, float]]


class _Axes(NamedTuple):
    x_end: float
    y_end: float

    def x(self, hardness: float) -> float:
        return LEFT + min(max(hardness, 0.0), self.x_end) / self.x_end * (WIDTH - LEFT - RIGHT)

    def y(self, alkalinity: float) -> float:
        return HEIGHT - BOTTOM - min(max(alkalinity, 0.0), self.y_end) / self.y_end * (HEIGHT - TOP - BOTTOM)


def draw(
    waters: Sequence[tuple[str, SiteWater]],
    labels: Mapping[str, str],
    profile: Profile,
    hottest_c: float,
    unit: OwnUnit,
) -> ClientChart | None:
    """Lay the chart out.

    Parameters
    ----------
    waters : kind (`raw`, `treated`, `expected`) and water, in this order.
    labels : of each kind, as it will be written.
    profile : the window.
    hottest_c : hottest metal of the machine [°C].
    unit : of the axes.

    Returns
    -------
    Chart, or None where no water has both hardness and alkalinity.

    Notes
    -----
    The line is where the planning rule drops 20 mg per litre, the trade's limit to act [SIMPLELSI, CP];
    above 130 °C it stands for 130 °C, for which the rule was last made.
    """
    known = [(kind, water) for kind, water in waters if {HARDNESS, ALKALINITY} <= water.readings.keys()]
    if not known:
        return None
    window = _window(profile)
    axes, x_step, y_step = _axes([water for _, water in known], window, unit)
    heat = min(hottest_c, MOST_C)
    line = _scale_line(heat, axes)
    box = None if window is None else _placed(window, axes)
    written = [*_window_label(box, labels["cup"]), *_scale_label(line, labels["scale"], box)]
    spots = _labelled([_spot(kind, water, axes) for kind, water in known], labels, written, _drawn(line, box))
    return ClientChart(
        x_ticks=[(axes.x(tick * unit.hardness), tick) for tick in _ticks(axes.x_end / unit.hardness, x_step)],
        y_ticks=[(axes.y(tick * unit.alkalinity), tick) for tick in _ticks(axes.y_end / unit.alkalinity, y_step)],
        window=box,
        written=[(x, y + _LINE - 2.0) for x, y, _, _ in written],
        scale=line,
        strokes=[(x, y, x - 4.0, y - 7.0) for x, y in line[:: max(len(line) // _STROKES, 1)]],
        spots=spots,
        arrows=_arrows(spots),
    )


def _window(profile: Profile) -> tuple[float, float, float, float] | None:
    hardness, alkalinity = profile.band(*HARDNESS_BANDS), profile.band("alkalinity")
    if hardness is None or alkalinity is None:
        return None
    return (max(hardness.low, 0.0), hardness.high, max(alkalinity.low, 0.0), alkalinity.high)


def _axes(
    waters: Sequence[SiteWater], window: tuple[float, float, float, float] | None, unit: OwnUnit
) -> tuple[_Axes, float, float]:
    ends = []
    for place, name in ((1, HARDNESS), (3, ALKALINITY)):
        tops = [reach(water, name)[2] for water in waters]
        edge = window[place] if window is not None and math.isfinite(window[place]) else 0.0
        ends.append(_ROOM * max([edge, *tops, 1.0]) / unit.factor(name))
    steps = [_step(end) for end in ends]
    x_end, y_end = (math.ceil(end / step) * step for end, step in zip(ends, steps, strict=True))
    return _Axes(x_end * unit.hardness, y_end * unit.alkalinity), steps[0], steps[1]


def _step(end: float) -> float:
    magnitude = 10.0 ** math.floor(math.log10(end / 5))
    return next(step * magnitude for step in _STEPS if end / (step * magnitude) <= _MOST_TICKS)


def _ticks(end: float, step: float) -> list[float]:
    return [float(tick) for tick in np.arange(0.0, end + step / 2, step)]


def reach(water: SiteWater, name: str) -> tuple[float, float, float]:
    """Give low, middle and high of a reading: its uncertainty, or the bounds of a "<"."""
    found, spread = water.readings[name], water.spread[name]
    if math.isnan(found.value):
        return found.low, 0.5 * (found.low + found.high), found.high
    around = max(0.0, spread)
    return max(found.value - around, 0.0), found.value, found.value + around


def _spot(kind: str, water: SiteWater, axes: _Axes) -> Spot:
    x_low, x_middle, x_high = (axes.x(end) for end in reach(water, HARDNESS))
    y_low, y_middle, y_high = (axes.y(end) for end in reach(water, ALKALINITY))
    return Spot(kind, x_middle, y_middle, x_low, y_high, x_high - x_low, y_low - y_high, x_middle, y_high - 4.0)


def _window_label(box: Box | None, text: str) -> list[Box]:
    """Write the name of the window beside its upper right corner."""
    if box is None:
        return []
    left, top, width, _ = box
    beside = min(left + width + 3.0, WIDTH - _LETTER * len(text))
    return [(beside, top - 2.0, _LETTER * len(text), _LINE)]


def _scale_label(line: list[tuple[float, float]], text: str, window: Box | None) -> list[Box]:
    """Write what the line means under its right end, below the lower edge of the window where that would strike it."""
    if not line:
        return []
    width, top = _LETTER * len(text), line[-1][1] + 3.0
    edge = -1.0 if window is None else window[1] + window[3]
    room = HEIGHT - BOTTOM - edge >= _LINE + 3.0
    return [(WIDTH - RIGHT - width, edge + 3.0 if room and top - 1.0 < edge < top + _LINE + 1.0 else top, width, _LINE)]


def _drawn(line: list[tuple[float, float]], window: Box | None) -> list[Box]:
    """Box in what a label had better not lie on: pieces of the line with their strokes, and the edges of the window."""
    pieces = [
        (min(x, after_x) - 4.0, min(y, after_y) - 7.0, abs(after_x - x) + 4.0, abs(after_y - y) + 7.0)
        for (x, y), (after_x, after_y) in pairwise(line)
    ]
    if window is None:
        return pieces
    left, top, width, height = window
    level = [(left, edge - 1.0, width, 2.0) for edge in (top, top + height)]
    upright = [(edge - 1.0, top, 2.0, height) for edge in (left, left + width)]
    return [*pieces, *level, *upright]


def _labelled(spots: list[Spot], labels: Mapping[str, str], written: Sequence[Box], drawn: Sequence[Box]) -> list[Spot]:
    """Place each label near its box, where it covers no box and no other label; if it can, no line either."""
    boxes = [(spot.left - 2.0, spot.top - 2.0, spot.width + 4.0, spot.height + 4.0) for spot in spots]
    taken = [*written, *boxes]
    placed = []
    for spot in spots:
        width = _LETTER * len(labels[spot.kind])
        places = _places(spot, width)
        free = [(x, y, width, _LINE) for x, y in places if _fits((x, y, width, _LINE), taken)]
        clear = [place for place in free if _fits(place, drawn)]
        box = next(iter([*clear, *free]), (*places[0], width, _LINE))
        taken.append(box)
        placed.append(spot._replace(label_x=box[0] + width / 2.0, label_y=box[1] + _LINE - 2.0))
    return placed


def _places(spot: Spot, width: float) -> list[tuple[float, float]]:
    """List where a label may stand, the nearest first: beside its box, then a line or two further off."""
    right, bottom = spot.left + spot.width, spot.top + spot.height
    starts = (spot.left + (spot.width - width) / 2.0, spot.left, right - width, right + 5.0, spot.left - width - 5.0)
    beside = [(right + 5.0, spot.y - _LINE / 2.0), (spot.left - width - 5.0, spot.y - _LINE / 2.0)]
    lines = [
        (start, level)
        for off in range(_LINES_OFF)
        for level in (spot.top - (1 + off) * _LINE - 3.0, bottom + off * _LINE + 3.0)
        for start in starts
    ]
    return [*lines[:1], *lines[len(starts) : len(starts) + 1], *beside, *lines]


def _fits(box: Box, taken: Sequence[Box]) -> bool:
    x, y, width, height = box
    inside = x >= LEFT and x + width <= WIDTH and y >= 0.0 and y + height <= HEIGHT - BOTTOM
    return inside and not any(
        x < left + wide and left < x + width and y < top + high and top < y + height for left, top, wide, high in taken
    )


def _arrows(spots: Sequence[Spot]) -> list[tuple[str, float, float, float, float]]:
    raw = next((spot for spot in spots if spot.kind == "raw"), None)
    arrows = []
    for spot in spots:
        length = 0.0 if raw is None else math.hypot(spot.x - raw.x, spot.y - raw.y)
        if raw is not None and length > 3.0 * _ARROW:
            dx, dy = ((spot.x - raw.x) / length, (spot.y - raw.y) / length)
            arrows.append(
                (spot.kind, raw.x + _ARROW * dx, raw.y + _ARROW * dy, spot.x - _ARROW * dx, spot.y - _ARROW * dy)
            )
    return arrows


def _placed(window: tuple[float, float, float, float], axes: _Axes) -> tuple[float, float, float, float]:
    x_low, x_high, y_low, y_high = window
    left, right, top, bottom = axes.x(x_low), axes.x(x_high), axes.y(y_high), axes.y(y_low)
    return left, top, right - left, bottom - top


def _scale_line(heat_c: float, axes: _Axes) -> list[tuple[float, float]]:
    points = scale_limit(heat_c, axes.x_end, axes.y_end)
    return [(axes.x(hardness), axes.y(alkalinity)) for hardness, alkalinity in points]
