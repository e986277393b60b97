"""Readings of pairs of a candidate and a sample: the sample's own, but for the few that the candidate changes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Floats, Places


class RowReadings(Protocol):
    """(r, m) readings, or their uncertainties, by rows of ROWS: an array, or rows laid out when they are asked for."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Rows and columns."""

    def __getitem__(self, row: int, /) -> Floats:
        """Give one row."""


@dataclass(frozen=True)
class PairReadings:
    """Readings of (m,) pairs; a row is laid out when it is first asked for, since most are never needed.

    Attributes
    ----------
    own : (r, n) of the samples.
    sample : (m,) place of each pair's sample.
    changed : (m,) rows that candidates have changed.
    """

    own: Floats
    sample: Places
    changed: Mapping[int, Floats]
    _rows: dict[int, Floats] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, ...]:
        """Rows and columns."""
        return len(self.own), self.sample.size

    def __getitem__(self, row: int, /) -> Floats:
        """Give one row."""
        if row in self.changed:
            return self.changed[row]
        if row not in self._rows:
            self._rows[row] = self.own[row].take(self.sample)
        return self._rows[row]

    def take(self, pairs: Places) -> PairReadings:
        """Keep some of the pairs."""
        changed = {row: values[pairs] for row, values in self.changed.items()}
        return PairReadings(self.own, self.sample[pairs], changed)


@dataclass(frozen=True)
class Unchanged:
    """Where (m,) pairs can take over what is known of their (n,) samples as received.

    Attributes
    ----------
    sample : (m,) place of each pair's sample.
    rows : the rows that candidates change; what depends on none of them is that of the sample.
    """

    sample: Places
    rows: frozenset[int]

    def moves(self, rows: frozenset[int]) -> bool:
        """Tell whether a candidate may change what depends on these rows."""
        return not self.rows.isdisjoint(rows)
