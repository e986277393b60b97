"""The hardness–alkalinity chart of a batch, as numbers ready to be drawn by a template."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.assess.profiles import boxes
from pipeline.report.sentences import prose_said
from pipeline.report.wording import VERDICT_WORDS
from pipeline.words.labels import label_in
from schemas.columns import VERDICTS

if TYPE_CHECKING:
    import numpy.typing as npt


WIDTH: Final = 720.0
HEIGHT: Final = 440.0
LEFT, RIGHT, TOP, BOTTOM = 64.0, 16.0, 16.0, 52.0
_MOST_MARKS: Final = 1500
_BINS: Final = 48
_MOST_TICKS: Final = 6
_DRAWN: Final = ["total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3", "verdict", "stage", "called"]
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True)
class Mark:
    """One sample (or a heap of samples) on the chart; `x`, `y` in picture units."""

    x: float
    y: float
    verdict: str
    stage: str
    title: str
    radius: float


@dataclass(frozen=True)
class BatchChart:
    """Everything the template draws: marks, ticks, the line of equal hardness and alkalinity."""

    marks: list[Mark]
    x_ticks: list[tuple[float, str]]
    y_ticks: list[tuple[float, str]]
    equal: tuple[float, float, float, float]
    zones: list[tuple[str, float, float, float, float]]
    beyond: int
    samples: int
    heaped: bool


def hardness_alkalinity(samples: pd.DataFrame, language: str = "en") -> BatchChart | None:
    """Place the samples by total hardness and alkalinity.

    Parameters
    ----------
    samples : (n, …) `total_hardness_mg_l_caco3 alkalinity_mg_l_caco3 verdict stage called`.
    language : of the words.

    Returns
    -------
    Chart, or None where no sample has both. Beyond 1500 samples neighbours are heaped into
    squares so that the page stays small; the mark then shows the worst verdict and the count.
    """
    both = samples[_DRAWN].dropna(subset=_DRAWN[:2])
    if both.empty:
        return None
    hardness = both["total_hardness_mg_l_caco3"].to_numpy()
    alkalinity = both["alkalinity_mg_l_caco3"].to_numpy()
    x_step, x_end = _axis(hardness)
    y_step, y_end = _axis(alkalinity)
    inside = (hardness <= x_end) & (alkalinity <= y_end)
    x = LEFT + hardness / x_end * (WIDTH - LEFT - RIGHT)
    y = HEIGHT - BOTTOM - alkalinity / y_end * (HEIGHT - TOP - BOTTOM)
    placed = both.assign(x=x, y=y)[inside]
    heaped = len(placed) > _MOST_MARKS
    equal_end = min(x_end, y_end)
    return BatchChart(
        marks=_heaps(placed, language) if heaped else _single(placed, language),
        x_ticks=[
            (LEFT + t / x_end * (WIDTH - LEFT - RIGHT), f"{t:g}") for t in np.arange(0, x_end + x_step / 2, x_step)
        ],
        y_ticks=[
            (HEIGHT - BOTTOM - t / y_end * (HEIGHT - TOP - BOTTOM), f"{t:g}")
            for t in np.arange(0, y_end + y_step / 2, y_step)
        ],
        equal=(
            LEFT,
            HEIGHT - BOTTOM,
            LEFT + equal_end / x_end * (WIDTH - LEFT - RIGHT),
            HEIGHT - BOTTOM - equal_end / y_end * (HEIGHT - TOP - BOTTOM),
        ),
        zones=[_placed((prose_said(box[0], language), *box[1:]), x_end, y_end) for box in boxes()],
        beyond=int((~inside).sum()),
        samples=len(both),
        heaped=heaped,
    )


def _placed(
    box: tuple[str, float, float, float, float], x_end: float, y_end: float
) -> tuple[str, float, float, float, float]:
    """Turn the box of a profile into name, left, top, width, height in picture units, cut at the frame."""
    name, x_low, x_high, y_low, y_high = box
    left, right = (LEFT + min(x, x_end) / x_end * (WIDTH - LEFT - RIGHT) for x in (x_low, x_high))
    bottom, top = (HEIGHT - BOTTOM - min(y, y_end) / y_end * (HEIGHT - TOP - BOTTOM) for y in (y_low, y_high))
    return name, left, top, right - left, bottom - top


def _axis(values: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Choose a step and an end so that all but wild values fit."""
    end = float(max(np.minimum(values.max(), 1.6 * np.quantile(values, 0.98)), 1.0))
    magnitude = 10.0 ** np.floor(np.log10(end / 5))
    step = next(float(s * magnitude) for s in _STEPS if end / (s * magnitude) <= _MOST_TICKS)
    return step, float(np.ceil(end / step) * step)


def _single(placed: pd.DataFrame, language: str) -> list[Mark]:
    said = label_in("{called}: hardness {hardness}, alkalinity {alkalinity} mg/L as CaCO3", language)
    titles = pd.Series(
        [
            said.format(called=called, hardness=f"{hardness:.0f}", alkalinity=f"{alkalinity:.0f}")
            for called, hardness, alkalinity in zip(*(placed[name] for name in ("called", *_DRAWN[:2])), strict=True)
        ],
        index=placed.index,
    )
    columns = (placed["x"].round(1), placed["y"].round(1), placed["verdict"], placed["stage"], titles)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return [Mark(x, y, verdict, stage, title, 4.5) for x, y, verdict, stage, title in rows]


def _heaps(placed: pd.DataFrame, language: str) -> list[Mark]:
    verdict = pd.Categorical(placed["verdict"], categories=VERDICTS).codes
    cell_x = (WIDTH - LEFT - RIGHT) / _BINS
    heaps = (
        pd.DataFrame({"x": placed["x"], "y": placed["y"], "rank": verdict})
        .assign(bx=placed["x"] // cell_x, by=placed["y"] // cell_x)
        .groupby(["bx", "by", "rank"], as_index=False)
        .agg(x=("x", "mean"), y=("y", "mean"), size=("x", "size"))
    )
    heaps["verdict"] = pd.array(VERDICTS, dtype="str").take(heaps["rank"].to_numpy())
    radius = np.clip(1.5 + np.sqrt(heaps["size"]), 2.0, cell_x / 2).round(1)
    words = heaps["verdict"].map({verdict: label_in(word, language) for verdict, word in VERDICT_WORDS.items()})
    titles = heaps["size"].astype("str") + " " + label_in("samples", language) + ": " + words
    columns = (heaps["x"].round(1), heaps["y"].round(1), heaps["verdict"], [""] * len(heaps), titles, radius)
    return [Mark(*row) for row in zip(*columns, strict=True)]
