"""The terminal: what is printed on it cannot command it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.segment import Segment

from pipeline.visible import visible

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import ConsoleOptions, RenderableType


class Screen(Console):
    """A console that shows signs that would command it; its own colours and widths stay."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Turn what is to be printed into segments of text."""
        for text, style, control in super().render(renderable, options):
            yield Segment(text if control else visible(text), style, control)
