"""What the last pair and the course through time say together: one question, so one list of answers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.verify.outcomes import Cause

# What the course through time can tell apart, by the words of the pair. It sees no label and no other treatment.
_SEEN: Final[dict[str, tuple[str, ...]]] = {
    "as set": ("steady", "source change"),
    "exhausted media": ("exhausted media",),
    "failed membrane": ("failed membrane",),
    "moved valve": ("moved valve",),
    "odd reading": ("odd reading",),
}
_ANOTHER: Final = 20.0  # times as common is a treatment behind a tap of which nobody says what is fitted [CP]
_LEAST: Final = 0.01  # a course is never so sure that it rules an answer out [CP]


def together(pair: Sequence[Cause], course: Sequence[Cause]) -> tuple[Cause, ...]:
    """Weigh the causes of a pair by what the course says of them.

    A pair cannot tell a worn medium from a valve that was moved: both let raw water through. The course can, for
    one creeps and the other jumps.

    Parameters
    ----------
    pair : causes of the last pair.
    course : causes of the series; empty where there are too few samples.

    Returns
    -------
    the causes of the pair, most probable first. The course shares out anew, in proportion to p(pair) · p(course), what
    the pair gives to the causes a course can see; the others keep what they have. Without a course nothing changes.

    Example
    -------
    >>> from pipeline.verify.outcomes import Cause
    >>> from pipeline.words import Said
    >>> def cause(name, probability): return Cause(name, probability, Said(f"verify.cause.{name.replace(' ', '_')}"))
    >>> found = together(
    ...     [cause("moved valve", 0.7), cause("exhausted media", 0.3)],
    ...     [cause("exhausted media", 0.9), cause("moved valve", 0.1)],
    ... )
    >>> [(one.name, round(one.probability, 2)) for one in found]
    [('exhausted media', 0.79), ('moved valve', 0.21)]
    """
    if not course:
        return tuple(pair)
    said = {one.name: one.probability for one in course}
    weight = [
        one.probability * max(sum(said.get(name, 0.0) for name in _SEEN[one.name]), _LEAST)
        if one.name in _SEEN
        else 0.0
        for one in pair
    ]
    mass = sum(one.probability for one in pair if one.name in _SEEN)
    shared = [
        replace(one, probability=mass * part / sum(weight)) if one.name in _SEEN else one
        for one, part in zip(pair, weight, strict=True)
    ]
    return tuple(sorted(shared, key=lambda one: -one.probability))


def unstated(pair: Sequence[Cause]) -> tuple[Cause, ...]:
    """Weigh the causes of a pair, judged as untreated water, where nobody says what is fitted.

    A sample from behind a treatment then is no reason to doubt its figures: some treatment is there.

    Example
    -------
    >>> from pipeline.verify.outcomes import Cause
    >>> odd = Cause("odd reading", 0.6, Said("verify.cause.odd_reading"))
    >>> soft = Cause("another treatment", 0.4, Said("verify.cause.another_treatment"))
    >>> [(one.name, round(one.probability, 2)) for one in unstated([odd, soft])]
    [('another treatment', 0.93), ('odd reading', 0.07)]
    """
    other = [one.name == "another treatment" for one in pair]
    weight = [one.probability * (_ANOTHER if is_other else 1.0) for one, is_other in zip(pair, other, strict=True)]
    shared = [
        replace(
            one,
            probability=part / sum(weight),
            said=Said("verify.cause.looks_like", one.said.values) if is_other else one.said,
        )
        for one, part, is_other in zip(pair, weight, other, strict=True)
    ]
    return tuple(sorted(shared, key=lambda one: -one.probability))
