"""A relation that chemistry or arithmetic demands of the readings of one sample."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pipeline.arrays import Floats, Places


def or_zero(values: Floats) -> Floats:
    """Count what was not read as nothing."""
    return np.where(np.isnan(values), 0.0, values)


@dataclass
class Relation:
    """One relation over (m,) columns: ``gap`` (0 = agrees), ``slopes`` per row of ROWS, ``model`` variance.

    ``predicted`` is what the other readings make of the reading the relation is about, in its unit; the
    charge balance has none. ``usual`` is the model spread the density is normalised with where two sides differ.
    """

    gap: Floats
    slopes: dict[int, Floats]
    model: Floats
    predicted: Floats
    shape: Floats = field(default_factory=lambda: np.zeros(0))

    def take(self, at: Places) -> Relation:
        """Give the relation of chosen columns, each as often as it is named."""
        slopes = {row: slope.take(at) for row, slope in self.slopes.items()}
        shape = self.shape.take(at) if self.shape.size else self.shape
        return Relation(self.gap.take(at), slopes, self.model.take(at), self.predicted.take(at), shape)
