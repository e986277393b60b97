"""What a sample offers as evidence: values with their reach, words of its description, fitting readings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.checks.columns import taken
from schemas.methods import METHODS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.columns import CaseColumn, Cases
    from pipeline.normalise.sample_table import SampleTable


_DERIVED = METHODS.index("derived")


@dataclass(frozen=True)
class Quantity:
    """A quantity of (n,) samples with what is not known of it.

    Attributes
    ----------
    value : the reading; the middle of the possible range where it is "<"; missing where unknown.
    reach : expanded uncertainty (k = 2), combined as root of squares.
    slack : half of the range of a "<" reading, 0 for a number; added as it stands.
    """

    value: Floats
    reach: Floats
    slack: Floats

    def times(self, factor: float) -> Quantity:
        """Express the quantity in another unit."""
        return Quantity(self.value * factor, self.reach * factor, self.slack * factor)

    def otherwise(self, other: Quantity) -> Quantity:
        """Fill what is missing from another reading of the same quantity."""
        known = ~np.isnan(self.value)
        pairs = ((self.value, other.value), (self.reach, other.reach), (self.slack, other.slack))
        return Quantity(*(np.where(known, own, filler) for own, filler in pairs))

    def or_zero(self) -> Quantity:
        """Let a missing quantity add nothing to a tolerance."""
        return Quantity(*(np.nan_to_num(part) for part in (self.value, self.reach, self.slack)))

    @property
    def low(self) -> Floats:
        """The least the quantity can be."""
        return np.maximum(self.value - self.reach - self.slack, 0.0)

    @property
    def high(self) -> Floats:
        """The most the quantity can be."""
        return self.value + self.reach + self.slack


def measured(samples: SampleTable, column: str, relative: float, absolute: float = 0.0) -> Quantity:
    """Take a quantity as it was read, not as it can be computed from others.

    Parameters
    ----------
    samples : the filled sample table.
    column : canonical column.
    relative, absolute : least uncertainty (k = 2) [-], [unit of the column]; the reading's own
        uncertainty and drop interval count where they are wider.
    """
    derived = np.asarray(samples.method[column].cat.codes == _DERIVED)
    quantity = known(samples, column, relative, absolute)
    return replace(quantity, value=np.where(derived, np.nan, quantity.value)) if derived.any() else quantity


def known(samples: SampleTable, column: str, relative: float, absolute: float = 0.0) -> Quantity:
    """Take a quantity as `measured` does, or its stand-in where it was not read."""
    value = samples.filled[column].to_numpy(dtype="float64")
    low = samples.low[column].to_numpy(dtype="float64")
    high = samples.high[column].to_numpy(dtype="float64")
    reach = np.maximum(relative * value, absolute)
    for wider in (samples.uncertainty[column].to_numpy(dtype="float64"), value - low, high - value):
        np.fmax(reach, wider, out=reach)
    slack = np.zeros(len(value))
    censored = np.isnan(value) & ~np.isnan(low) & ~np.isnan(high)
    if censored.any():
        value = np.where(censored, (low + high) / 2, value)
        reach[censored] = 0.0
        slack = np.where(censored, (high - low) / 2, 0.0)
    return Quantity(value, reach, slack)


def obtained(samples: SampleTable, column: str, *methods: str) -> Flags:
    """Tell which samples have a value that was obtained by one of the methods."""
    wanted = np.array([name in methods for name in (*METHODS, "")], dtype="bool")
    return wanted[samples.method[column].cat.codes.to_numpy()]


def tolerance(*quantities: Quantity) -> Floats:
    """Combine what is not known of several quantities: √Σ reach² + Σ slack [JCGM100, 5.1.2]."""
    squares = sum((quantity.reach**2 for quantity in quantities), start=np.float64(0.0))
    slack = sum((quantity.slack for quantity in quantities), start=np.float64(0.0))
    return np.asarray(np.sqrt(squares) + slack, dtype="float64")


def says(samples: SampleTable, names: Sequence[str], words: Sequence[str]) -> Flags:
    """Tell which samples use one of the words (in any case, also inside a longer word).

    Every different text is searched once, so the cost follows the vocabulary, not the rows.
    """
    pattern = "|".join(words)
    return np.asarray(np.any([samples.fact(name).mentions(pattern) for name in names], axis=0))


def middle(values: Floats, group: Places, count: int) -> Floats:
    """Give the medians of (n,) or (n, k) values in each of ``count`` groups; what is missing is left out."""
    medians = pd.DataFrame(values).groupby(group).median()
    laid = np.full((count, medians.shape[1]), np.nan)
    laid[medians.index] = medians
    return laid[:, 0] if values.ndim == 1 else laid


@dataclass(frozen=True)
class Sources:
    """The source (file) of every sample: ``code`` is its number, ``names`` the SHA-256 of each."""

    code: Places
    names: npt.NDArray[np.object_]

    def count(self, flags: Flags) -> Floats:
        """Count the samples of each source for which ``flags`` holds."""
        return np.bincount(self.code, weights=flags, minlength=len(self.names)).astype("float64")

    def median(self, values: Floats) -> Floats:
        """Give each source's median of the values that are not missing."""
        return middle(values, self.code, len(self.names))

    def spread(self, values: Floats) -> Floats:
        """Give each source's robust standard deviation: 1.4826 × the median distance from the median."""
        return 1.4826 * self.median(np.abs(values - self.median(values)[self.code]))


def sources(samples: SampleTable) -> Sources:
    """Give the sources of the samples."""
    named = samples.fact("file_sha256")
    return Sources(named.codes, np.array(named.texts, dtype=object))


def of_sources(found: Cases, chosen: Flags, evaluated: Flags) -> dict[str, CaseColumn]:
    """Keep the sources about which something can be said, and count the samples that were looked at.

    Parameters
    ----------
    found : one row per source with `file_sha256`, `observed`, `low`, `high` and evidence.
    chosen : which of them have enough samples.
    evaluated : (n,) which samples had what the check needs.
    """
    rows = np.flatnonzero(chosen)
    return {
        **{name: taken(column, rows) for name, column in found.items()},
        "place": np.full(len(rows), -1),
        "evaluated": evaluated,
    }
