"""Is a water inside a profile? Asked of a reading with its uncertainty, the answer is a probability."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.clauses import after, clause, joined
from pipeline.chemistry.equivalents import column, numbers
from pipeline.chemistry.remarks import remarks
from pipeline.chemistry.tds_scales import to_tds
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.arrays import Flags, Floats
    from pipeline.assess.profiles import Band, Profile
    from pipeline.normalise.sample_table import SampleTable

ZONES: Final = ("in zone", "probably in zone", "cannot tell", "probably not in zone", "out of zone")
_LEAST_OF_ZONE: Final = np.array([0.95, 2.0 / 3.0, 1.0 / 3.0, 0.05])  # of the words above [CP]
COVERAGE: Final = 2.0  # k of the uncertainties [GUM2008]
# Which reading stands in for another, and what is then said.
_STAND_INS: Final = {
    "calcium_hardness": ("total_hardness", "calcium hardness not measured: total hardness taken"),
    "total_chlorine": ("free_chlorine", "total chlorine not measured: free chlorine taken"),
}


def _normal(z: Floats) -> Floats:
    """Cumulative normal distribution, error below 2e-7 [AS1964]."""
    x = np.abs(z) / np.sqrt(2.0)
    t = 1.0 / (1.0 + 0.3275911 * x)
    series = 0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))
    tail = 0.5 * t * series * np.exp(-x * x)
    return floats(np.where(z > 0.0, 1.0 - tail, tail))


def inside(value: Floats, uncertainty: Floats, low: Floats, high: Floats, band: Band) -> Floats:
    """Probability that a quantity lies in a band.

    A drop kit cannot prove a band two drops wide; the answer must be able to say so.

    Parameters
    ----------
    value, uncertainty : (n,) reading and its expanded uncertainty, k = 2; 0 = exact.
    low, high : (n,) bounds, used where there is no value ("<").
    band : the range asked for.

    Returns
    -------
    (n,) 0 … 1; missing where nothing is known.

    Notes
    -----
    Normal about the value with u = U/2 [GUM2008]; evenly spread over the bounds of a "<" or ">".

    Example
    -------
    >>> from pipeline.assess.profiles import published
    >>> one, band = np.ones(1), published()["European water chart 2016"].band("alkalinity")
    >>> inside(71.4 * one, 13.0 * one, one, one, band).round(2).tolist()
    [0.71]
    """
    u = np.maximum(np.nan_to_num(uncertainty) / COVERAGE, 1e-9 * (1.0 + np.abs(np.nan_to_num(value))))
    normal = _normal((band.high - value) / u) - _normal((band.low - value) / u)
    exact = np.nan_to_num(uncertainty) == 0.0
    normal = np.where(exact, ((value >= band.low) & (value <= band.high)).astype("float64"), normal)
    width = np.maximum(high - low, 1e-12)
    even = np.clip((np.minimum(high, band.high) - np.maximum(low, band.low)) / width, 0.0, 1.0)
    open_above = np.isnan(high) & ~np.isnan(low)
    even = np.where(open_above, np.where(low > band.high, 0.0, np.nan), even)
    return floats(np.where(np.isnan(value), even, np.clip(normal, 0.0, 1.0)))


def zone_of(probability: Floats) -> pd.Series[str]:
    """Word of `ZONES` for each probability; "cannot tell" where it is missing."""
    place = np.where(np.isnan(probability), 2, np.searchsorted(-_LEAST_OF_ZONE, -np.nan_to_num(probability)))
    return pd.Series(pd.array(ZONES, dtype="str").take(place))


def judge_zone(samples: SampleTable, profile: Profile) -> pd.DataFrame:
    """Hold every sample against a profile.

    Parameters
    ----------
    samples : the filled table.
    profile : a named water.

    Returns
    -------
    (n, 4) frame, index of the samples: ``zone`` of `ZONES`, the least favourable quantity's;
    ``sentence``, which names that quantity with its number and band; ``unknowns``, what was not
    measured or stood in; ``probability``.
    """
    size, index = len(samples), samples.about.index
    worst, missing_essential = np.full(size, np.inf), np.zeros(size, dtype="bool")
    clauses: list[pa.Array] = []
    unknown: dict[str, Flags] = {}
    for band in profile.bands:
        value, probability, notes = _one(samples, band)
        unknown |= {note: flags for note, flags in notes.items() if flags.any()}
        missing_essential |= np.isnan(probability) & band.essential
        worst = np.fmin(worst, probability)
        clauses.append(_clause(band, value, probability, decided=~np.isnan(probability)))
    undecided = (missing_essential & ~(worst < _LEAST_OF_ZONE[-1])) | np.isinf(worst)
    probability = np.where(undecided, np.nan, worst)
    zone = zone_of(probability).set_axis(index)
    lacking = clause("hardness or alkalinity is missing", undecided, {})
    named = joined([lacking, *clauses], index)
    words = joined([f"{profile.name}: ", after("", zone), after("; ", named), "."], index, "")
    return pd.DataFrame(
        {
            "zone": zone,
            "sentence": words,
            "unknowns": remarks(unknown, index),
            "probability": probability,
        },
        index=index,
    )


def _clause(band: Band, value: Floats, probability: Floats, *, decided: Flags) -> pa.Array:
    """Name a band and its number where the sample is not clearly inside."""
    unit = "" if band.quantity == "ph" else f" {ANALYTES[band.quantity].unit}"
    digits = 1 if band.quantity == "ph" else 2 if band.quantity.endswith("chlorine") else 0
    template = f"{_name(band.quantity)} {{value:{digits}}}, asked {band.text}{unit}"
    return clause(template, decided & (probability < _LEAST_OF_ZONE[0]), {"value": value})


def _name(quantity: str) -> str:
    """Name of a quantity inside a sentence."""
    title = ANALYTES[quantity].title
    return "TDS (4-4-2 scale)" if quantity == "tds" else title[:1].lower() + title[1:]


def _one(samples: SampleTable, band: Band) -> tuple[Floats, Floats, dict[str, Flags]]:
    """Value, probability and remarks for one band."""
    if band.quantity == "tds":
        return _dissolved_solids(samples, band)
    name = f"{_name(band.quantity)} not measured"
    own = _reading(samples, ANALYTES[band.quantity].column)
    lacking = np.isnan(own[0]) & np.isnan(own[3])
    notes = {name: lacking}
    if band.quantity in _STAND_INS:
        other, note = _STAND_INS[band.quantity]
        second = _reading(samples, ANALYTES[other].column)
        there = ~(np.isnan(second[0]) & np.isnan(second[3]))
        notes = {note: lacking & there, name: lacking & ~there}
        own = [np.where(lacking, stand_in, first) for first, stand_in in zip(own, second, strict=True)]
    value, uncertainty, low, high = own
    probability = inside(value, uncertainty, low, high, band)
    return floats(np.where(np.isnan(value), high, value)), probability, notes


def _reading(samples: SampleTable, name: str) -> list[Floats]:
    frames = (samples.filled, samples.uncertainty, samples.low, samples.high)
    return [numbers(frame, name) for frame in frames]


def _dissolved_solids(samples: SampleTable, band: Band) -> tuple[Floats, Floats, dict[str, Flags]]:
    """Dissolved solids on the 4-4-2 scale, from the conductivity: pens use other scales."""
    ends = [
        floats(to_tds(column(frame, "conductivity_us_cm_25c"), "442"))
        for frame in (samples.low, samples.filled, samples.high)
    ]
    low, value, high = ends
    probability = inside(value, np.nan_to_num(high - low), low, high, band)
    return value, probability, {"conductivity not measured": np.isnan(value)}


def disagreement(zones: pd.DataFrame) -> pd.Series[str]:
    """Say where two profiles disagree about a water.

    Parameters
    ----------
    zones : (n, p) frame of `ZONES`, one column per profile.

    Returns
    -------
    (n,) sentence naming the profiles that accept and those that refuse; empty where none disagree.
    """
    accepts = np.asarray(zones.isin(ZONES[:2]), dtype=np.int64)
    refuses = np.asarray(zones.isin(ZONES[3:]), dtype=np.int64)
    differ = np.logical_and(accepts.max(axis=1, initial=0), refuses.max(axis=1, initial=0))
    combined = np.where(np.asarray(differ)[:, None], accepts + 2 * refuses, 0)
    unique, rows = np.unique(combined, axis=0, return_inverse=True)
    names = [str(name) for name in zones.columns]
    texts = [_disagree(names, code) for code in unique.tolist()]
    return pd.Series(pd.array(texts, dtype="str").take(rows.ravel()), index=zones.index)


def _disagree(names: list[str], code: list[int]) -> str:
    accept = ", ".join(name for name, state in zip(names, code, strict=True) if state == 1)
    refuse = ", ".join(name for name, state in zip(names, code, strict=True) if state == 2)  # noqa: PLR2004 - set above
    return f"The profiles disagree: accepted by {accept}; not by {refuse}." if accept else ""
