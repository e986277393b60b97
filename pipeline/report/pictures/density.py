"""The density of raw waters in hardness and alkalinity, with the published profiles."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.assess.profiles import boxes
from pipeline.report.pictures.svg import RUST, drawing, line, tag, words_at
from pipeline.trends.density import DENSITY_STEP

if TYPE_CHECKING:
    import pandas as pd

_WIDTH, _HEIGHT = 640.0, 400.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 60.0, 16.0, 12.0, 46.0
_SHARE: Final = 0.99  # of the samples are in sight
_PALEST, _DARKEST = 0.12, 0.95
_TICKS: Final = 8
_EVERY: Final = (25.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


@dataclass(frozen=True)
class DensityPicture:
    """Squares (left, top, width, height, how dark, in words), profiles, ticks, samples in and beyond the frame."""

    squares: list[tuple[float, float, float, float, float, str]]
    profiles: list[tuple[str, float, float, float, float]]
    x_ticks: list[tuple[float, str]]
    y_ticks: list[tuple[float, str]]
    samples: int
    beyond: int


def density_picture(density: pd.DataFrame) -> DensityPicture | None:
    """Place the squares; None where no sample has both quantities."""
    if density.empty:
        return None
    ends = [_end(density[name], density["samples"]) for name in ("hardness", "alkalinity")]
    across = (_WIDTH - _LEFT - _RIGHT) / ends[0]
    up = (_HEIGHT - _TOP - _BOTTOM) / ends[1]
    inside = density[(density["hardness"] < ends[0]) & (density["alkalinity"] < ends[1])]
    floor = _HEIGHT - _BOTTOM
    most = float(inside["samples"].max())
    squares = [
        (
            round(_LEFT + x * across, 1), round(floor - (y + DENSITY_STEP) * up, 1), round(DENSITY_STEP * across, 1),
            round(DENSITY_STEP * up, 1), round(_PALEST + (_DARKEST - _PALEST) * float(np.sqrt(count / most)), 2),
            f"hardness from {x:.0f}, alkalinity from {y:.0f} mg/L as CaCO3: {count:,.0f}",
        )
        for x, y, count in inside[["hardness", "alkalinity", "samples"]].to_numpy(dtype=np.float64).tolist()
    ]  # fmt: skip
    profiles = []
    for name, low_x, high_x, low_y, high_y in boxes():
        left, right = (min(value, ends[0]) for value in (low_x, high_x))
        bottom, top = (min(value, ends[1]) for value in (low_y, high_y))
        profiles.append((name, round(_LEFT + left * across, 1), round(floor - top * up, 1),
                         round((right - left) * across, 1), round((top - bottom) * up, 1)))  # fmt: skip
    x_every, y_every = (next((e for e in _EVERY if end / e <= _TICKS), _EVERY[-1]) for end in ends)
    return DensityPicture(
        squares,
        profiles,
        [(round(_LEFT + tick * across, 1), f"{tick:.0f}") for tick in np.arange(0, ends[0] + 1, x_every)],
        [(round(floor - tick * up, 1), f"{tick:.0f}") for tick in np.arange(0, ends[1] + 1, y_every)],
        int(density["samples"].sum()),
        int(density["samples"].sum() - inside["samples"].sum()),
    )


def density_svg(picture: DensityPicture) -> str:
    """Draw the picture: the darker a square the more samples; dashed: the profiles, the later the longer the dashes."""
    floor = _HEIGHT - _BOTTOM
    parts = [line(x, _TOP, x, floor, "#e3e8ea") for x, _ in picture.x_ticks]
    parts += [line(_LEFT, y, _WIDTH - _RIGHT, y, "#e3e8ea") for y, _ in picture.y_ticks]
    parts += [words_at(x, floor + 18, words, "middle") for x, words in picture.x_ticks]
    parts += [words_at(_LEFT - 6, y + 4, words, "end") for y, words in picture.y_ticks]
    parts += [
        tag("rect", tag("title", words), x=x, y=y, width=width, height=height, fill="#1f4a66", fill_opacity=f"{dark:g}")
        for x, y, width, height, dark, words in picture.squares
    ]
    parts += [
        tag("rect", tag("title", escape(name)), x=x, y=y, width=width, height=height, fill="none", stroke=RUST,
            stroke_width=1.6, stroke_dasharray=f"{3 * number} 3")
        for number, (name, x, y, width, height) in enumerate(picture.profiles, start=1)
    ]  # fmt: skip
    parts.append(words_at(_WIDTH / 2, _HEIGHT - 8, "total hardness, mg/L as CaCO3", "middle"))
    parts.append(words_at(-_HEIGHT / 2, 14, "alkalinity, mg/L as CaCO3", "middle", transform="rotate(-90)"))
    told = f"{picture.samples:,} raw samples in squares of {DENSITY_STEP:g} mg/L."
    return drawing(_WIDTH, _HEIGHT, "Density of raw waters in hardness and alkalinity", told, parts)


def density_caption(picture: DensityPicture) -> str:
    """Say what the picture shows."""
    beyond = f"; {picture.beyond} lie beyond the frame" if picture.beyond else ""
    names = ", ".join(name for name, *_ in picture.profiles)
    return (
        f"{picture.samples:,} raw samples, the darker the more in squares of {DENSITY_STEP:g} mg/L{beyond}. "
        f"Dashed: {names}, from the shortest dashes to the longest."
    )


def _end(lower: pd.Series, samples: pd.Series) -> float:
    """Give the end of an axis that shows nearly all samples."""
    order = lower.sort_values().index
    share = samples[order].cumsum() / samples.sum()
    return float(lower[order][share >= _SHARE].iloc[0] + DENSITY_STEP)
