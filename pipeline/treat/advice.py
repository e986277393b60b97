"""What a piece of advice consists of."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.words import Said

Decision = Literal["decided", "conditional", "cannot advise"]


@dataclass(frozen=True)
class Range:
    """A quantity with what its uncertainty allows; NaN where it cannot be said."""

    value: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True)
class Window:
    """The settings with which every limit of profile and machine holds, and the limit that ends them on each side.

    ``sure_low`` to ``sure_high``: every limit holds even with the readings at both ends of their uncertainty; missing
    where there is no such setting. ``usual``: where the trade would set it for this water, whatever the limits say.
    """

    setting: str
    low: float
    high: float
    unit: str
    ends: tuple[Said, ...] = ()
    sure_low: float = math.nan
    sure_high: float = math.nan
    usual: float = math.nan


@dataclass(frozen=True)
class Option:
    """One treatment looked at: its best settings, what comes out, and what stands in the way if anything does."""

    treatment: str
    settings: Mapping[str, float | str]
    predicted: Mapping[str, Range]
    fits: bool
    obstacles: tuple[Said, ...] = ()
    window: tuple[Window, ...] = ()


@dataclass(frozen=True)
class Advice:
    """What to do about one water in one machine, and why; ``row`` is the row of the decision table.

    ``bottled`` ranks the bottled waters that are known, for a machine that is filled by hand.
    """

    decision: Decision
    row: str
    treatment: str
    settings: Mapping[str, float | str]
    predicted: Mapping[str, Range]
    reasons: tuple[Said, ...]
    conditions: tuple[Said, ...] = ()
    cautions: tuple[Said, ...] = ()
    repeat: tuple[Said, ...] = ()
    window: tuple[Window, ...] = ()
    options: tuple[Option, ...] = field(default=())
    bottled: tuple[Said, ...] = ()
