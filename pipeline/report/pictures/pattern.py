"""The pattern of a complete analysis: cations to the left, anions to the right, one outline a water [STIFF1951]."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.report.pictures.ions import ion_groups
from pipeline.report.pictures.svg import BLUE, INK, LINE, SOFT, area, drawing, line, round_scale, words_at
from pipeline.report.wording import counted

if TYPE_CHECKING:
    import pandas as pd

# Rows from the top: left and right.
PATTERN_ROWS: Final = (("Na+K", "Cl+NO3"), ("Ca", "HCO3+CO3"), ("Mg", "SO4"))
MOST_PATTERNS: Final = 24  # waters, the latest of as many places
_WIDE, _HIGH, _ROW = 300.0, 136.0, 30.0
_ACROSS: Final = 2
_HALF: Final = 74.0  # of the outline
_TOP: Final = 40.0


def pattern_corners(groups: pd.DataFrame, end: float) -> list[list[tuple[float, float]]]:
    """Give the outline of every water.

    Parameters
    ----------
    groups : (n, 6) of ``ion_groups`` [meq/L].
    end : meq/L at the end of either side.

    Returns
    -------
    six corners of each, from the upper left one round by the right: x from −1 to 1 (cations are below 0), row from 0.
    """
    left = [(-groups[cation] / end, row) for row, (cation, _) in enumerate(PATTERN_ROWS)]
    right = [(groups[anion] / end, row) for row, (_, anion) in enumerate(PATTERN_ROWS)]
    around = [left[0], *right, *left[:0:-1]]
    return [[(float(x.iloc[place]), float(row)) for x, row in around] for place in range(len(groups))]


def pattern_svg(waters: pd.DataFrame) -> str:
    """Draw the patterns of complete analyses, all on one scale.

    Parameters
    ----------
    waters : (n, …) canonical columns and `title`; more than MOST_PATTERNS are left out, the first are drawn.
    """
    groups = ion_groups(waters).head(MOST_PATTERNS)
    most = float(np.nanmax(groups.to_numpy(), initial=1.0))
    _, end, ticks = round_scale(0.0, most, 4)
    titles = waters.loc[groups.index, "title"].tolist()
    rows = -(-len(groups) // _ACROSS)
    parts = []
    for place, (corners, title) in enumerate(zip(pattern_corners(groups, end), titles, strict=True)):
        x = (place % _ACROSS + 0.5) * _WIDE
        y = (place // _ACROSS) * _HIGH + _TOP
        parts += _one(corners, title, x, y, end, ticks)
    told = f"{counted(len(groups), 'complete analysis', 'complete analyses')} in meq/L."
    return drawing(_ACROSS * _WIDE, max(rows, 1) * _HIGH, "Patterns of complete analyses", told, parts)


def _one(
    corners: list[tuple[float, float]], title: str, x: float, y: float, end: float, ticks: list[float]
) -> list[str]:
    floor = y + 2 * _ROW + 12
    drawn = [words_at(x - _WIDE / 2 + 6, y - 18, title, font_weight="600", font_size="11")]
    for tick in ticks:
        for side in (-1, 1) if tick else (1,):
            at = x + side * tick / end * _HALF
            drawn.append(line(at, y - 8, at, floor, LINE))
            drawn.append(words_at(at, floor + 12, f"{tick:g}", "middle", fill=SOFT, font_size="10"))
    outline = [(x + _HALF * a, y + _ROW * row) for a, row in corners]
    drawn += [area(outline, BLUE, BLUE, fill_opacity=".28", stroke_width=1.6), line(x, y - 8, x, floor, INK)]
    for row, (cation, anion) in enumerate(PATTERN_ROWS):
        drawn.append(words_at(x - _HALF - 8, y + _ROW * row + 4, cation, "end", font_size="11"))
        drawn.append(words_at(x + _HALF + 8, y + _ROW * row + 4, anion, "start", font_size="11"))
    drawn.append(words_at(x + _HALF + 22, floor + 12, "meq/L", fill=SOFT, font_size="10"))
    return drawn
