"""The few pieces of SVG that every picture is made of; texts are escaped here and nowhere else."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

INK, SOFT, LINE, WASH, RUST, BLUE = "#1d2429", "#56636d", "#d5dbde", "#eef1f2", "#9a4a00", "#2b5c7c"
_FONT: Final = 'system-ui,"DejaVu Sans",sans-serif'
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
# Drawn alike on paper and screen: shape and filling tell them apart without a colour.
MARKS: Final = ("circle", "square", "triangle", "diamond", "cross")


def tag(name: str, body: str = "", /, **given: Any) -> str:  # noqa: ANN401 - numbers and texts
    """Write an element; an underscore in a name stands for a hyphen, a number has one decimal."""
    words = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{value if isinstance(value, str) else _number(value)}"'
        for key, value in given.items()
    )
    return f"<{name}{words}/>" if not body else f"<{name}{words}>{body}</{name}>"


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def words_at(x: float, y: float, words: str, anchor: str = "start", **given: Any) -> str:  # noqa: ANN401 - numbers and texts
    """Write words at a place."""
    return tag("text", escape(words), x=x, y=y, text_anchor=anchor, **given)


def line(x: float, y: float, to_x: float, to_y: float, ink: str = SOFT, **given: Any) -> str:  # noqa: ANN401 - numbers and texts
    """Draw a straight line."""
    return tag(
        "path", d=f"M{_number(x)} {_number(y)}L{_number(to_x)} {_number(to_y)}", stroke=ink, fill="none", **given
    )


def polyline(points: Iterable[tuple[float, float]], ink: str = INK, **given: Any) -> str:  # noqa: ANN401 - numbers and texts
    """Draw a line through points."""
    return tag("polyline", points=_points(points), stroke=ink, fill="none", **given)


def area(points: Iterable[tuple[float, float]], fill: str, ink: str = "none", **given: Any) -> str:  # noqa: ANN401 - numbers and texts
    """Draw a filled shape."""
    return tag("polygon", points=_points(points), fill=fill, stroke=ink, **given)


def _points(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{_number(x)},{_number(y)}" for x, y in points)


def mark(kind: str, x: float, y: float, size: float, title: str = "", *, hollow: bool = False, ink: str = INK) -> str:
    """Draw one mark with the words that a pointer resting on it shows."""
    body = tag("title", escape(title)) if title else ""
    fill = "#fff" if hollow else ink
    if kind == "circle":
        return tag("circle", body, cx=x, cy=y, r=size, fill=fill, stroke=ink, stroke_width=1.3)
    rings: dict[str, list[tuple[float, float]]] = {
        "square": [(-1, -1), (1, -1), (1, 1), (-1, 1)],
        "triangle": [(0, -1.2), (1.1, 0.9), (-1.1, 0.9)],
        "diamond": [(0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)],
        "cross": [(-1, -1), (0, -0.3), (1, -1), (0.3, 0), (1, 1), (0, 0.3), (-1, 1), (-0.3, 0)],
    }
    corners = _points((x + size * a, y + size * b) for a, b in rings[kind])
    return tag("polygon", body, points=corners, fill=fill, stroke=ink, stroke_width=1.3)


def drawing(width: float, height: float, title: str, told: str, parts: Sequence[str]) -> str:
    """Put a picture together, with its title and what it shows in words for those who do not see it."""
    head = tag("title", escape(title)) + tag("desc", escape(told))
    size = f"{_number(width)} {_number(height)}"
    return (
        f'<svg viewBox="0 0 {size}" role="img" font-size="12" '
        f"font-family='{_FONT}' fill=\"{INK}\">{head}{''.join(parts)}</svg>"
    )


def as_file(drawn: str) -> str:
    """Give a drawing as a file of its own; within a page no namespace is named."""
    return drawn.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


def round_scale(low: float, high: float, most: int = 5) -> tuple[float, float, list[float]]:
    """Choose round ends of an axis that hold two values, and its ticks."""
    reach = max(high - low, 1e-3 * max(abs(high), abs(low)), 1e-9)
    magnitude = 10.0 ** np.floor(np.log10(reach / most))
    step = next(float(one * magnitude) for one in _STEPS if reach / (one * magnitude) <= most)
    first, last = float(np.floor(low / step) * step), float(np.ceil(high / step - 1e-9) * step)
    return first, last, [float(tick) for tick in np.round(np.arange(first, last + step / 2, step), 10)]


def year_ticks(first: float, last: float, most: int = 8) -> list[float]:
    """Choose whole years between two times, or quarters where there are few."""
    every = next((each for each in (0.25, 0.5, 1, 2, 5, 10, 20) if (last - first) / each <= most), 50.0)
    return [float(tick) for tick in np.arange(np.ceil(first / every) * every, last + 1e-9, every)]
