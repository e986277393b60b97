"""Sites by their coordinates, darker and larger the higher the value; graticule and the register's regions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.report.pictures.svg import BLUE, LINE, SOFT, WASH, area, drawing, line, round_scale, tag, words_at
from pipeline.report.wording import counted

if TYPE_CHECKING:
    from pipeline.arrays import Floats

_WIDTH: Final = 640.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 52.0, 16.0, 16.0, 84.0
_CLASSES: Final = 5
_INKS: Final = ("#dfe8ec", "#a9c3cf", "#6f99ae", "#3b6c87", "#12384e")
_SIZES: Final = (4.0, 5.2, 6.4, 7.6, 8.8)
_LOWEST, _HIGHEST = 260.0, 760.0  # of the picture
_HULL: Final = 3  # corners of an outline


def site_map_svg(sites: pd.DataFrame, title: str, unit: str) -> str:
    """Draw the map.

    Parameters
    ----------
    sites : (n, …) `called region latitude longitude value`; degrees north and east.
    title : what the values are.
    unit : of the values.

    Notes
    -----
    Degrees of longitude are drawn as long as they are at the middle latitude: distances are true near it.
    """
    latitude, longitude = (sites[name].to_numpy(dtype=np.float64) for name in ("latitude", "longitude"))
    narrow = float(np.cos(np.radians((latitude.min() + latitude.max()) / 2)))
    south, north, y_ticks = _degrees(latitude)
    west, east, x_ticks = _degrees(longitude)
    per_degree = (_WIDTH - _LEFT - _RIGHT) / ((east - west) * narrow)
    per_degree = min(per_degree, (_HIGHEST - _TOP - _BOTTOM) / (north - south))
    height = max(per_degree * (north - south), _LOWEST - _TOP - _BOTTOM)
    begin = _LEFT + (_WIDTH - _LEFT - _RIGHT - per_degree * narrow * (east - west)) / 2

    def across(degrees: float) -> float:
        return begin + (degrees - west) * narrow * per_degree

    def down(degrees: float) -> float:
        return _TOP + (north - degrees) * per_degree + (height - per_degree * (north - south)) / 2

    parts = [line(across(x), down(south), across(x), down(north), LINE) for x in x_ticks]
    parts += [line(across(west), down(y), across(east), down(y), LINE) for y in y_ticks]
    parts += [
        words_at(across(x), _TOP + height + 15, _named(x, "EW"), "middle", fill=SOFT, font_size="11") for x in x_ticks
    ]
    parts += [
        words_at(across(west) - 5, down(y) + 4, _named(y, "NS"), "end", fill=SOFT, font_size="11") for y in y_ticks
    ]
    placed = sites.assign(x=[across(x) for x in longitude], y=[down(y) for y in latitude])
    parts += _regions(placed)
    bounds = value_classes(sites["value"].to_numpy(dtype=np.float64))
    parts += _sites(placed, bounds, unit)
    parts += _legend(bounds, unit, _TOP + height + 38)
    told = f"{counted(len(sites), 'site')} by coordinates; {title}, {unit}."
    return drawing(_WIDTH, _TOP + height + _BOTTOM, title, told, parts)


def _degrees(values: Floats) -> tuple[float, float, list[float]]:
    """Choose the ends of the map on one axis, with some room, and where the graticule runs."""
    room = max(0.06 * float(values.max() - values.min()), 0.02)
    low, high = float(values.min()) - room, float(values.max()) + room
    _, _, ticks = round_scale(low, high, 5)
    return low, high, [tick for tick in ticks if low <= tick <= high]


def _named(degrees: float, sides: str) -> str:
    side = sides[0] if degrees > 0 else sides[1] if degrees < 0 else ""
    return f"{abs(round(degrees, 4)):g}°{side}"


def value_classes(values: Floats) -> Floats:
    """Give the upper bounds of all classes but the last: as many sites in each as can be, at most five classes."""
    known = values[np.isfinite(values)]
    shares = np.arange(1, _CLASSES) / _CLASSES
    return np.unique(np.quantile(known, shares)) if len(known) else np.zeros(0)


def _regions(placed: pd.DataFrame) -> list[str]:
    """Outline the sites of each region and write its name; one of fewer than three sites has only its name."""
    drawn, names = [], []
    for name, own in placed[placed["region"] != ""].groupby("region"):
        corners = hull(own[["x", "y"]].to_numpy(dtype=np.float64))
        if len(corners) >= _HULL:
            drawn.append(
                area([(x, y) for x, y in corners.tolist()], WASH, SOFT, fill_opacity=".6", stroke_dasharray="4 3")
            )
        names.append(words_at(own["x"].mean(), own["y"].min() - 12, str(name), "middle", fill=SOFT, font_size="11",
                           font_style="italic"))  # fmt: skip
    return drawn + names


def hull(points: Floats) -> Floats:
    """Give the corners of the outline around points, in order (Andrew's monotone chain)."""
    ordered = np.unique(points, axis=0)
    if len(ordered) < _HULL:
        return ordered
    halves = []
    for run in (ordered, ordered[::-1]):
        half: list[Floats] = []
        for point in run:
            while len(half) > 1 and _turn(half[-2], half[-1], point) <= 0:
                half.pop()
            half.append(point)
        halves += half[:-1]
    return np.array(halves)


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def _sites(placed: pd.DataFrame, bounds: Floats, unit: str) -> list[str]:
    """Draw the sites, the largest first, so that none hides another."""
    drawn = []
    for row in placed.sort_values("value", ascending=False, na_position="first").to_dict("records"):
        if pd.isna(row["value"]):
            words, ink, size = f"{row['called']}: not measured", "#fff", 3.0
        else:
            kind = int(np.searchsorted(bounds, row["value"], side="left"))
            words, ink, size = f"{row['called']}: {row['value']:.3g} {unit}", _INKS[kind], _SIZES[kind]
        body = tag("title", _escaped(words))
        drawn.append(tag("circle", body, cx=row["x"], cy=row["y"], r=size, fill=ink, stroke=BLUE, stroke_width=1.1))
    return drawn


def _escaped(words: str) -> str:
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _legend(bounds: Floats, unit: str, y: float) -> list[str]:
    words = [f"to {bound:.3g}" for bound in bounds] + [f"above {bounds[-1]:.3g}" if len(bounds) else "all"]
    step = (_WIDTH - _LEFT - _RIGHT) / _CLASSES
    drawn = [words_at(_LEFT, y + 18, unit, font_size="11", fill=SOFT)]
    for place, word in enumerate(words):
        x = _LEFT + step * place
        drawn.append(tag("circle", cx=x, cy=y - 4, r=_SIZES[place], fill=_INKS[place], stroke=BLUE, stroke_width=1.1))
        drawn.append(words_at(x + 13, y, word, font_size="11"))
    return drawn
