"""What the last pair and the course through time say together: one question, so one list of answers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

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
