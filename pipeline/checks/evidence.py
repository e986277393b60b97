"""What a sample offers as evidence: values with their reach, words of its description, fitting readings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from schemas.methods import METHODS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from pipeline.normalise.sample_table import SampleTable

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

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


def read(samples: SampleTable, column: str, relative: float, absolute: float = 0.0) -> Quantity:
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
    """Take a quantity as `read` does, or its stand-in where it was not read."""
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


def tolerance(*quantities: Quantity) -> Floats:
    """Combine what is not known of several quantities: √Σ reach² + Σ slack [JCGM100, 5.1.2]."""
    squares = sum((quantity.reach**2 for quantity in quantities), start=np.float64(0.0))
    slack = sum((quantity.slack for quantity in quantities), start=np.float64(0.0))
    return np.asarray(np.sqrt(squares) + slack, dtype="float64")


def text(samples: SampleTable, name: str) -> pd.Series[str]:
    """Take a fact of the samples as text, "" where it is not stated."""
    if name not in samples.about:
        return pd.Series("", index=samples.about.index, dtype="str")
    column = samples.about[name]
    stated = column if isinstance(column.dtype, pd.StringDtype) else column.astype("str")
    return stated.fillna("") if stated.hasnans else stated


def says(samples: SampleTable, names: Sequence[str], words: Sequence[str]) -> Flags:
    """Tell which samples use one of the words (in any case, also inside a longer word).

    Every different text is searched once, so the cost follows the vocabulary, not the rows.
    """
    found = np.zeros(len(samples), dtype="bool")
    pattern = "|".join(words)
    for name in names:
        codes, texts = pd.factorize(text(samples, name))
        holds = pd.Series(texts, dtype="str").str.contains(pattern, case=False).to_numpy(dtype="bool")
        found |= holds[codes]
    return found


def constant(samples: SampleTable, words: str) -> pd.Categorical[str]:
    """Give every sample the same words, stored once."""
    return either(np.zeros(len(samples), dtype="bool"), words, words)


def either(flags: Flags, yes: str, no: str) -> pd.Categorical[str]:
    """Word a yes or no for every row; each word is stored once."""
    codes = np.asarray(flags, dtype="int8") * np.int8(yes != no)
    categories = pd.Index(list(dict.fromkeys((no, yes))), dtype="str")
    return cast("pd.Categorical[str]", pd.Categorical.from_codes(pd.Index(codes), categories=categories))


def fitting(index: pd.Index, answers: Mapping[str, Flags], otherwise: str = "") -> pd.Series[str]:
    """Name every answer that fits a row, joined by "; or "; ``otherwise`` where none does.

    Several answers may fit: then the data cannot tell and a person is asked. Rows with the same
    answers are worded once.
    """
    flags = np.column_stack([np.asarray(flag, dtype="bool") for flag in answers.values()])
    weights = 1 << np.arange(flags.shape[1], dtype="int64")
    patterns, inverse = np.unique(flags @ weights, return_inverse=True)
    names = list(answers)
    worded = [
        _listed([name for place, name in enumerate(names) if pattern >> place & 1]) or otherwise
        for pattern in patterns.tolist()
    ]
    categories = list(dict.fromkeys(worded))
    codes = np.array([categories.index(words) for words in worded], dtype="int32")[inverse]
    return pd.Series(
        pd.Categorical.from_codes(pd.Index(codes), categories=pd.Index(categories, dtype="str")), index=index
    )


def _listed(answers: list[str]) -> str:
    """Join answers to one phrase; only the first keeps its capital."""
    lowered = [words[:1].lower() + words[1:] if words[1:2].islower() else words for words in answers]
    return "; or ".join([*answers[:1], *lowered[1:]])


@dataclass(frozen=True)
class Sources:
    """The source (file) of every sample: ``code`` is its number, ``names`` its SHA-256."""

    code: npt.NDArray[np.intp]
    names: pd.Index

    def count(self, flags: Flags) -> Floats:
        """Count the samples of each source for which ``flags`` holds."""
        return np.bincount(self.code, weights=flags, minlength=len(self.names)).astype("float64")

    def median(self, values: Floats) -> Floats:
        """Give each source's median of the values that are not missing."""
        medians = pd.Series(values).groupby(self.code).median()
        return np.asarray(medians.reindex(range(len(self.names))), dtype="float64")

    def spread(self, values: Floats) -> Floats:
        """Give each source's robust standard deviation: 1.4826 × the median distance from the median."""
        return 1.4826 * self.median(np.abs(values - self.median(values)[self.code]))


def sources(samples: SampleTable) -> Sources:
    """Give the sources of the samples, numbered in order of appearance."""
    code, names = pd.factorize(text(samples, "file_sha256"))
    return Sources(code, pd.Index(names))


def with_members(found: pd.DataFrame, samples: SampleTable, evaluated: Flags) -> pd.DataFrame:
    """Put findings about whole sources beside a passing row for each sample that was looked at.

    Parameters
    ----------
    found : one row per source with `file_sha256`, `observed`, `low`, `high` and evidence.
    samples : the sample table.
    evaluated : (n,) which samples had what the check needs.
    """
    members = pd.DataFrame({"sample_id": samples.about.index[evaluated], "observed": 0.0})
    if found.empty:
        return members.reindex(columns=["sample_id", *found.columns])
    of_source = found.assign(sample_id=pd.array([None] * len(found), dtype="str"))
    joined: pd.DataFrame = pd.concat([of_source, members], ignore_index=True)
    return joined
