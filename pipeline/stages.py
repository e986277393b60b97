"""Whom the stages of the main job tell how far they are."""

from __future__ import annotations

from typing import Protocol


class Listener(Protocol):
    """Whoever wants to know how far a run is."""

    def stage(self, name: str, total: int = 0) -> None:
        """Begin a stage of ``total`` steps."""

    def step(self, what: str) -> None:
        """Finish one step of the stage."""


class Silent:
    """A listener that ignores everything."""

    def stage(self, name: str, total: int = 0) -> None:
        """Ignore the stage."""

    def step(self, what: str) -> None:
        """Ignore the step."""
