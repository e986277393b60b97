"""The limits of a run: those that were chosen, and the defaults of every other subject."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

Subject = TypeVar("Subject")


@dataclass(frozen=True)
class Limits:
    """The limits by which the checks of a run judge; each subject's module defines a class of its own.

    Attributes
    ----------
    chosen : limits in place of the defaults, at most one value of a class.

    Example
    -------
    >>> from pipeline.checks.hardness import HardnessLimits
    >>> Limits((HardnessLimits(relative=0.05),)).of(HardnessLimits).relative
    0.05
    """

    chosen: tuple[object, ...] = ()

    def of(self, subject: type[Subject]) -> Subject:
        """Give the limits of a subject, by their class: as chosen, otherwise its defaults."""
        for limits in self.chosen:
            if isinstance(limits, subject):
                return limits
        return subject()
