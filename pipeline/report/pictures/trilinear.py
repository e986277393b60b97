"""The trilinear picture of complete analyses: two triangles and the field between them [PIPER1944]."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.report.pictures.ions import ion_groups, ion_shares
from pipeline.report.pictures.svg import INK, LINE, MARKS, SOFT, area, drawing, line, mark, words_at
from pipeline.report.wording import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

_SIDE, _GAP = 250.0, 70.0  # side of a triangle and the space between the two
_LEFT, _TOP = 40.0, 42.0
_UP: Final = float(np.sqrt(3) / 2)
_WIDTH: Final = 2 * (_LEFT + _SIDE) + _GAP
_FLOOR: Final = _TOP + (2 * _SIDE + _GAP) * _UP
_HEIGHT: Final = _FLOOR + 50.0
_EVERY: Final = 20  # %, of the grid
_MOST: Final = 3000  # marks


def trilinear_places(shares: pd.DataFrame) -> pd.DataFrame:
    """Give the places of waters in the three fields.

    Parameters
    ----------
    shares : (n, 6) of ``ion_shares`` [%].

    Returns
    -------
    (n, 6) frame `cation_x cation_y anion_x anion_y field_x field_y`, in sides of a triangle from the left corner of the
    cations, y upwards; the anions begin at ``1 + gap``.

    Notes
    -----
    Cations: calcium left, sodium with potassium right, magnesium on top; anions: the carbonates left, chloride right,
    sulfate on top. A point of the field between lies where the line through the point of the cations, parallel to the
    side towards the anions, meets that through the point of the anions [PIPER1944].
    """
    start = 1 + _GAP / _SIDE
    cation_x = (shares["Na+K"] + shares["Mg"] / 2) / 100
    cation_y = shares["Mg"] / 100 * _UP
    anion_x = start + (shares["Cl+NO3"] + shares["SO4"] / 2) / 100
    anion_y = shares["SO4"] / 100 * _UP
    field_x = (cation_x + anion_x) / 2 + (anion_y - cation_y) / (4 * _UP)
    field_y = cation_y + 2 * _UP * (field_x - cation_x)
    return pd.DataFrame({"cation_x": cation_x, "cation_y": cation_y, "anion_x": anion_x, "anion_y": anion_y,
                         "field_x": field_x, "field_y": field_y})  # fmt: skip


def trilinear_svg(waters: pd.DataFrame) -> str:
    """Draw complete analyses.

    Parameters
    ----------
    waters : (n, …) canonical columns, and `group` (told apart by the mark: the first four, and all others) and `title`.
    """
    shares = ion_shares(ion_groups(waters)).head(_MOST)
    places = trilinear_places(shares)
    drawn = waters.loc[shares.index]
    kinds = _kinds(drawn["group"])
    parts = [*_frame(), *_scales(), *_names()]
    for name in ("cation", "anion", "field"):
        across = _LEFT + _SIDE * places[f"{name}_x"]
        down = _FLOOR - _SIDE * places[f"{name}_y"]
        rows = zip(across, down, drawn["group"], drawn["title"], drawn["stage"], strict=True)
        parts += [
            mark(kinds[group], x, y, 3.2, title, hollow=stage not in ("raw", "")) for x, y, group, title, stage in rows
        ]
    parts += legend(kinds, 14.0, 20.0)
    told = f"{counted(len(drawn), 'complete analysis', 'complete analyses')} by the shares of their ions."
    return drawing(_WIDTH, _HEIGHT, "Trilinear picture of complete analyses", told, parts)


def _kinds(groups: pd.Series) -> dict[str, str]:
    """Give each group its mark: the largest four their own, the others one together."""
    order = [str(name) for name in groups.astype("str").value_counts().index]
    return {name: MARKS[min(place, len(MARKS) - 1)] for place, name in enumerate(order)}


def legend(kinds: dict[str, str], x: float, y: float) -> list[str]:
    """Explain the marks, one a line."""
    told = [(name or "not named", kind) for name, kind in kinds.items()][: len(MARKS)]
    if len(kinds) > len(MARKS):
        told[-1] = (f"{len(kinds) - len(MARKS) + 1} others", MARKS[-1])
    drawn = []
    for place, (name, kind) in enumerate(told):
        drawn += [mark(kind, x, y + 17 * place - 4, 3.6), words_at(x + 10, y + 17 * place, name)]
    return drawn


def _triangle(x: float) -> list[tuple[float, float]]:
    return [(x, _FLOOR), (x + _SIDE, _FLOOR), (x + _SIDE / 2, _FLOOR - _SIDE * _UP)]


def _frame() -> list[str]:
    """Draw the three fields with their grids."""
    second = _LEFT + _SIDE + _GAP
    middle, floor = _LEFT + _SIDE + _GAP / 2, _FLOOR - _GAP * _UP
    field = [(middle, floor), (middle + _SIDE / 2, floor - _SIDE * _UP), (middle, floor - 2 * _SIDE * _UP),
             (middle - _SIDE / 2, floor - _SIDE * _UP)]  # fmt: skip
    drawn = []
    for share in np.arange(_EVERY, 100, _EVERY) / 100:
        for left in (_LEFT, second):
            a, b, top = _triangle(left)
            drawn += [_between(a, top, b, top, share), _between(a, b, top, b, share), _between(b, a, top, a, share)]
        low, right, high, left_corner = field
        drawn += [_between(low, left_corner, right, high, share), _between(low, right, left_corner, high, share)]
    shapes = [_triangle(_LEFT), _triangle(second), field]
    return [*drawn, *(area(shape, "none", INK, stroke_width=1.2) for shape in shapes)]


def _between(
    start: tuple[float, float], end: tuple[float, float], other: tuple[float, float], other_end: tuple[float, float],
    share: float,
) -> str:  # fmt: skip
    """Join the points that lie so far along two sides."""
    x, y = (start[i] + share * (end[i] - start[i]) for i in (0, 1))
    to_x, to_y = (other[i] + share * (other_end[i] - other[i]) for i in (0, 1))
    return line(x, y, to_x, to_y, LINE)


def _scales() -> list[str]:
    """Write 20, 40, 60, 80 at the sides that the shares are read from: along the floors and the outer slopes."""
    drawn = []
    second = _LEFT + _SIDE + _GAP
    for share in range(_EVERY, 100, _EVERY):
        along, rise = _SIDE * share / 100, _SIDE * share / 100 * _UP
        drawn += [
            words_at(_LEFT + _SIDE - along, _FLOOR + 14, str(share), "middle", fill=SOFT, font_size="10"),
            words_at(second + along, _FLOOR + 14, str(share), "middle", fill=SOFT, font_size="10"),
            words_at(_LEFT + along / 2 - 6, _FLOOR - rise + 3, str(share), "end", fill=SOFT, font_size="10"),
            words_at(second + _SIDE - along / 2 + 6, _FLOOR - rise + 3, str(share), "start", fill=SOFT, font_size="10"),
        ]
    return drawn


def _names() -> list[str]:
    """Name the sides, with the arrow that its share grows along."""
    second = _LEFT + _SIDE + _GAP
    middle, floor = _LEFT + _SIDE + _GAP / 2, _FLOOR - _GAP * _UP
    slope, high = _SIDE / 4, _SIDE * _UP / 2
    return [
        words_at(_LEFT + _SIDE / 2, _FLOOR + 30, "← Ca, %", "middle"),
        words_at(second + _SIDE / 2, _FLOOR + 30, "Cl + NO3, % →", "middle"),
        _turned(_LEFT + slope - 26, _FLOOR - high, -60, "Mg, % →"),
        _turned(second + _SIDE - slope + 26, _FLOOR - high, 60, "← SO4, %"),
        _turned(middle - slope - 14, floor - 3 * high - 6, -60, "SO4 + Cl + NO3, % →"),
        _turned(middle + slope + 14, floor - 3 * high - 6, 60, "← Ca + Mg, %"),
        words_at(_LEFT + _SIDE - 4, _FLOOR + 30, "Na + K", "end", fill=SOFT, font_size="10"),
        words_at(second + 4, _FLOOR + 30, "HCO3 + CO3", "start", fill=SOFT, font_size="10"),
    ]


def _turned(x: float, y: float, degrees: float, words: str) -> str:
    return words_at(0, 0, words, "middle", transform=f"translate({x:.1f} {y:.1f}) rotate({degrees:g})")


def trilinear_table(waters: pd.DataFrame, named: Sequence[str]) -> pd.DataFrame:
    """Give the numbers of the picture: the shares [%] beside the columns that name a water."""
    shares = ion_shares(ion_groups(waters))
    return waters.loc[shares.index, list(named)].join(shares.round(1).add_suffix(" %"))
