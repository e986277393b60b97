"""What a verification and a history consist of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from pipeline.treat.advice import Range
    from pipeline.words import Said

ProofOutcome = Literal["proved", "partly", "not proved", "cannot tell"]
Course = Literal["steady", "changed", "exhausted", "too few samples"]


@dataclass(frozen=True)
class Cause:
    """One thing that would explain what was measured.

    Attributes
    ----------
    name : fixed word: `as set`, `moved valve`, `exhausted media`, `failed membrane`, `swapped labels`,
        `no effect`, `another treatment`, `odd reading`, `source change`, `steady`, `none of these`.
    probability : among the causes looked at, given how common each is.
    said : the cause in a sentence.
    evidence : the figures for it, a sentence each.
    detail : the treatment or quantity meant, where there is one.
    """

    name: str
    probability: float
    said: Said
    evidence: tuple[Said, ...] = ()
    detail: str = ""

    @property
    def percent(self) -> float:
        """Give the probability in per cent, as it is said."""
        return in_percent(self.probability)


def in_percent(probability: float) -> float:
    """Say a probability in per cent, and never as a certainty.

    Example
    -------
    >>> in_percent(0.9999), in_percent(0.25)
    (99.0, 25.0)
    """
    return min(100 * probability, 99.0)


@dataclass(frozen=True)
class Compared:
    """One quantity: before, after, and what the treatment should have made of it.

    ``verdict``: `agrees`, `differs`, `not measured` or `not predicted`; ``role``: `moves` or `keeps`.
    """

    column: str
    before: float
    after: Range
    predicted: Range
    allowed: float
    role: str
    verdict: str


@dataclass(frozen=True)
class NextTest:
    """When to test next, and why then."""

    on: pd.Timestamp | None
    said: Said


@dataclass(frozen=True)
class Verification:
    """What a test after the installation, or a retest, proves.

    Attributes
    ----------
    outcome : `proved`, `partly`, `not proved`, `cannot tell`.
    treatment : the treatment it was held against.
    compared : one entry per quantity, in the order of the canonical columns.
    predicted, measured : by canonical column; ranges with k = 2.
    bypass : the share of raw water that explains all quantities best [-]; `unit` is "1".
    bypass_by : the same from each quantity alone.
    bypass_agrees : whether those ranges share a point; None where fewer than two speak.
    rejection : what a membrane holds back, from conductivity [-]; None for other treatments.
    findings : what is to be said, the outcome first.
    causes : most probable first; they sum to 1.
    next_test : when to test next.
    """

    outcome: ProofOutcome
    treatment: str
    compared: tuple[Compared, ...]
    predicted: Mapping[str, Range]
    measured: Mapping[str, Range]
    bypass: Range
    bypass_by: Mapping[str, Range]
    bypass_agrees: bool | None
    rejection: Range | None
    findings: tuple[Said, ...]
    causes: tuple[Cause, ...]
    next_test: NextTest


@dataclass(frozen=True)
class Span:
    """A point of a series with what its uncertainty allows: a day, and litres where a counter was read."""

    day: pd.Timestamp
    earliest: pd.Timestamp
    latest: pd.Timestamp
    litres: Range | None = None


@dataclass(frozen=True)
class History:
    """What the samples of a site through time say of its treatment and its supply.

    Attributes
    ----------
    course : `steady`, `changed`, `exhausted`, `too few samples`.
    quantity : canonical column the course was read from.
    used : samples since the last change of the cartridge that the course was read from.
    share : part of the raw value that came through before anything changed [-].
    exhausted_on : when the medium began to let through; None where it did not.
    step_on : between which samples a valve moved or a membrane failed; None where neither did.
    action_on : when the level at which to act is or was reached.
    removed_eq : what was taken out since the change [eq]; NaN without a counter.
    source_on : when the raw water changed; None where it did not.
    causes : most probable first; they sum to 1; empty for too few samples.
    findings : what is to be said, remarks on the samples last.
    next_test : when to test next.
    """

    course: Course
    quantity: str
    used: int
    share: Range
    exhausted_on: Span | None
    step_on: Span | None
    action_on: Span | None
    removed_eq: float
    source_on: Span | None
    causes: tuple[Cause, ...]
    findings: tuple[Said, ...]
    next_test: NextTest
