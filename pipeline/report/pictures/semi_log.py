"""The semi-logarithmic picture: the ions of each water on one logarithmic scale, joined by a line [SCHOELLER1935]."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.report.pictures.ions import ion_groups
from pipeline.report.pictures.svg import BLUE, INK, LINE, MARKS, RUST, SOFT, drawing, line, mark, polyline, words_at
from pipeline.report.wording import counted

if TYPE_CHECKING:
    import pandas as pd

SEMI_LOG_ORDER: Final = ("Ca", "Mg", "Na+K", "Cl+NO3", "SO4", "HCO3+CO3")
LINES: Final = 10  # waters; more lines are not told apart
_WIDTH, _PLOT = 640.0, 320.0
_LEFT, _RIGHT, _TOP = 58.0, 24.0, 28.0
_STEPS: Final = (1, 2, 5)
_DASHES: Final = ("none", "7 4", "2 3", "9 3 2 3")
_INKS: Final = (INK, BLUE, RUST)
_LEAST: Final = 0.001  # meq/L; less is drawn at the floor


def semi_log_height(meq: float, ends: tuple[float, float]) -> float:
    """Give how high a figure stands between two powers of ten: 0 at the lower, 1 at the upper."""
    low, high = np.log10(ends[0]), np.log10(ends[1])
    return float((np.log10(max(meq, ends[0])) - low) / (high - low))


def semi_log_svg(waters: pd.DataFrame) -> str:
    """Draw complete analyses, the first LINES of them.

    Parameters
    ----------
    waters : (n, …) canonical columns and `title`.

    Notes
    -----
    Lines that run parallel are waters of the same proportions, one diluted into the other: on a logarithmic scale the
    slope between two ions is their ratio [SCHOELLER1935].
    """
    groups = ion_groups(waters)[list(SEMI_LOG_ORDER)].head(LINES)
    known = np.maximum(groups.to_numpy(dtype=np.float64), _LEAST)
    ends = (
        10.0 ** np.floor(np.log10(known.min(initial=0.1))),
        10.0 ** np.ceil(np.log10(known.max(initial=1.0)) + 1e-9),
    )
    floor = _TOP + _PLOT
    places = [_LEFT + (i + 0.5) * (_WIDTH - _LEFT - _RIGHT) / len(SEMI_LOG_ORDER) for i in range(len(SEMI_LOG_ORDER))]

    def up(meq: float) -> float:
        return floor - _PLOT * semi_log_height(meq, ends)

    parts = []
    for power in range(round(np.log10(ends[0])), round(np.log10(ends[1])) + 1):
        for step in _STEPS:
            tick = step * 10.0**power
            if tick <= ends[1] * 1.0001:
                parts.append(line(_LEFT, up(tick), _WIDTH - _RIGHT, up(tick), LINE if step > 1 else "#b9c2c7"))
                parts.append(words_at(_LEFT - 6, up(tick) + 4, f"{tick:g}", "end", fill=SOFT, font_size="11"))
    for x, name in zip(places, SEMI_LOG_ORDER, strict=True):
        parts += [line(x, _TOP, x, floor, LINE), words_at(x, floor + 18, name, "middle")]
    titles = waters.loc[groups.index, "title"].tolist()
    for number, (row, title) in enumerate(zip(groups.to_numpy(dtype=np.float64), titles, strict=True)):
        ink, dash, kind = _INKS[number % 3], _DASHES[number % 4], MARKS[number % len(MARKS)]
        points = [(x, up(meq)) for x, meq in zip(places, row, strict=True)]
        parts.append(polyline(points, ink, stroke_width=1.6, stroke_dasharray=dash))
        parts += [mark(kind, x, y, 3.6, f"{title}: {meq:.3g} meq/L", hollow=number >= len(MARKS), ink=ink)
                  for (x, y), meq in zip(points, row, strict=True)]  # fmt: skip
        y = floor + 42 + 17 * number
        parts += [polyline([(_LEFT, y - 4), (_LEFT + 34, y - 4)], ink, stroke_width=1.6, stroke_dasharray=dash),
                  mark(kind, _LEFT + 17, y - 4, 3.6, hollow=number >= len(MARKS), ink=ink),
                  words_at(_LEFT + 42, y, title)]  # fmt: skip
    parts.append(words_at(_LEFT, _TOP - 14, "meq/L", "end", fill=SOFT, font_size="11"))
    told = f"{counted(len(groups), 'complete analysis', 'complete analyses')} in meq/L on a logarithmic scale."
    return drawing(_WIDTH, floor + 36 + 17 * len(groups), "Semi-logarithmic picture", told, parts)
