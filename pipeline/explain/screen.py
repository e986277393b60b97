"""Which samples have to be weighed at all: those of which some measured relation, or the past, disagrees."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.other_bottle import bound, other_bottles
from pipeline.explain.pairs import exchange_suspected
from pipeline.explain.ranges import SHIFTED, PastReadings, past_readings
from pipeline.explain.record import ROW, Record, record_of
from pipeline.explain.relations.charges import unread
from pipeline.explain.relations.density import deviation, shortfall
from pipeline.explain.relations.evaluate import evaluate

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable

DISAGREES: Final = 2.0  # standard uncertainties from which a relation disagrees [JCGM100]
FAR: Final = 3.5  # standard deviations from which a reading is far from what its point showed before [IH1993]
APART: Final = 2.5  # from which the two bottles of a visit disagree [CP]
# How far a relation is off in analyses that were published all the same, besides what their readings leave open [CP].
ORDINARY: Final = {"ion-balance": 0.10, "conductivity-from-ions": 0.15}
_AT_ONCE: Final = 8192  # samples, so that the memory does not grow with them


@dataclass(frozen=True)
class Screened:
    """The readings of (n,) samples and what speaks against them as they were received.

    Attributes
    ----------
    record, past : the readings, and the past of their points.
    relations, far, bottle : distance of the worst relation, of the reading furthest from its past, and of what the
        treatment makes of one bottle of the visit from the other one, in standard deviations.
    beyond : some relation is off by more than two standard uncertainties and by more than in ordinary analyses.
    doubtful : a measured relation, the past, the other bottle of a visit or more potassium than sodium speaks against
        the sample, or one major ion was not read and must be there. Of no other sample can the weighing say anything,
        so that no other is weighed.
    """

    record: Record
    past: PastReadings
    relations: Floats
    far: Floats
    bottle: Floats
    beyond: Flags
    doubtful: Flags


def screened(samples: SampleTable, limits: Limits) -> Screened:
    """Take the readings of all samples, and tell those that something speaks against.

    Parameters
    ----------
    samples : all samples.
    limits : of the checks.
    """
    record = record_of(samples)
    other = other_bottles(samples, record, limits)
    past = replace(past_readings(samples, record), other=other)
    relations, beyond = relation_scores(record)
    far, bottle = past_scores(record, past), bound(record.amounts, record.spread, other)[1]
    doubtful = (relations >= DISAGREES) | (far >= FAR) | (bottle >= APART) | exchange_suspected(samples, record, limits)
    doubtful |= record.amounts[ROW["potassium"]] > record.amounts[ROW["sodium"]]  # in hardly any water
    doubtful |= (unread(record.amounts) != "") & (shortfall(record.amounts, record.spread) >= DISAGREES)
    return Screened(record, past, relations, far, bottle, beyond, np.asarray(doubtful, dtype="bool"))


def relation_scores(record: Record) -> tuple[Floats, Flags]:
    """Give the distance from 0 of the relation that disagrees most, in standard uncertainties.

    Parameters
    ----------
    record : (n,) samples.

    Returns
    -------
    (n,), missing where no relation could be evaluated; and whether a relation disagrees by more than is ordinary.
    """
    worst, beyond = np.full(len(record), np.nan), np.zeros(len(record), dtype="bool")
    for start in range(0, len(record), _AT_ONCE):
        part = record.take(np.arange(start, min(start + _AT_ONCE, len(record))))
        variance = np.nan_to_num(part.spread) ** 2
        own = slice(start, start + len(part))
        for name, relation in evaluate(part.amounts, part.laboratory_tds, part.reckoned).items():
            score = np.abs(relation.gap / deviation(relation, variance))
            np.fmax(worst[own], score, out=worst[own])
            beyond[own] |= (score >= DISAGREES) & (np.abs(relation.gap) > ORDINARY.get(name, 0.0))
    return worst, beyond


def past_scores(record: Record, past: PastReadings) -> Floats:
    """Give how far hardness, alkalinity or conductivity lies from its point's past, in standard deviations (ln)."""
    furthest = np.full(len(record), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        for name in SHIFTED:
            centre = past.centre[name]
            value, spread = record.amounts[ROW[name]], record.spread[ROW[name]]
            width = np.hypot(past.spread[name], np.minimum(spread / value, 1.0))
            np.fmax(furthest, np.abs(np.log(np.where(value > 0, value, np.nan)) - centre) / width, out=furthest)
    return furthest
