"""What weighs on the causes of a pair besides its minerals: a permeate before blending, chlorine behind carbon."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.treat.processes.trains import stages_of
from pipeline.verify.outcomes import Cause
from pipeline.words import Said

if TYPE_CHECKING:
    from pipeline.verify.causes import Readings
    from pipeline.verify.outcomes import Compared

_CHLORINE: Final = "free_chlorine_mg_l"
_STILL_THERE: Final = (
    0.9  # share of the chlorine from which on the water went past the carbon, or no carbon is there [CP]
)


EXHAUSTED_CARBON: Final = "exhausted carbon"
_CARBON: Final = "carbon"
_MEANS_CARBON: Final = 0.9  # of chlorine behind a train with carbon in it; else water that went past, or its test [CP]


def as_promised(readings: Readings, compared: tuple[Compared, ...]) -> Readings:
    """Let a permeate that holds no more than a membrane may let through speak for no fault by how little it holds."""
    agreed = {one.column: one.predicted.value for one in compared if one.verdict == "agrees"}
    return replace(readings, after=readings.after.mask(readings.after.index.isin(list(agreed)), pd.Series(agreed)))


def with_chlorine(causes: tuple[Cause, ...], compared: tuple[Compared, ...], treatment: str) -> tuple[Cause, ...]:
    """Let the chlorine speak, of which the minerals know nothing: carbon that lets it through is not at work as set.

    Chlorine that fell and is still there behind carbon alone went through carbon that is used up: neither past it nor
    the other way round. In a train the minerals tell of the other stages; its carbon is a cause of its own.
    """
    chlorine = next((one for one in compared if one.column == _CHLORINE and one.verdict == "differs"), None)
    if chlorine is None or _CARBON not in stages_of(treatment):
        return causes
    if treatment != _CARBON:
        carbon = Cause(EXHAUSTED_CARBON, _MEANS_CARBON, Said("verify.cause.exhausted_carbon"))
        return (carbon, *(replace(one, probability=one.probability * (1.0 - _MEANS_CARBON)) for one in causes))
    fell = chlorine.after.value < _STILL_THERE * chlorine.before
    ruled_out = ("as set", "no effect", "swapped labels") if fell else ("as set",)
    left = [cause for cause in causes if cause.name not in ruled_out]
    total = sum(cause.probability for cause in left)
    return tuple(replace(cause, probability=cause.probability / total) for cause in left) if total > 0.0 else causes
