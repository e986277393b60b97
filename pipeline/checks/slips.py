"""The usual slips between two readings of one quantity, each by the ratio it leaves behind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import record
from pipeline.checks.columns import fitting
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_CAO,
    CACO3_PER_MAGNESIUM,
    DEGREE_PER_MEQ,
    HCO3_PER_CACO3,
    MG_CACO3_PER_DEGREE,
    NITRATE_PER_NITROGEN,
    SILICA_PER_SILICON,
    SULFATE_PER_SULFUR,
)
from pipeline.notation.grammar import read_unit

if TYPE_CHECKING:
    from pipeline.arrays import Floats, Places
    from pipeline.normalise.sample_table import SampleTable
    from pipeline.texts import TextColumn


_CODES: Final[dict[str, str]] = {
    "deg-german": "°dH",
    "deg-french": "°f",
    "grain/gal-us": "gpg",
    "deg-clark": "°Clark",
}
_EQUAL: Final = 0.01  # two ratios as close as this cannot be told apart


@dataclass(frozen=True)
class Slip:
    """One slip: what happened, the ratio it makes, and the quantities it can happen to (empty: any)."""

    words: str
    ratio: float
    analytes: frozenset[str] = frozenset()


_HARDNESS: Final = frozenset({"total_hardness", "calcium_hardness", "magnesium_hardness"})
_ALKALINITY: Final = frozenset({"alkalinity", "phenolphthalein_alkalinity"})
_DIVALENT: Final = _HARDNESS | {"calcium", "magnesium"}
_METALS: Final = frozenset({"iron", "manganese", "copper", "lead"})
_CONDUCTIVITY: Final = frozenset({"conductivity"})


def _between_degrees() -> tuple[Slip, ...]:
    ordered = sorted(MG_CACO3_PER_DEGREE.items(), key=lambda degree: -degree[1])
    return tuple(
        Slip(f"{large} and {small} confused", value / other, _HARDNESS | _ALKALINITY)
        for place, (large, value) in enumerate(ordered)
        for small, other in ordered[place + 1 :]
    )


SLIPS: Final[tuple[Slip, ...]] = (
    Slip("a sample volume halved or doubled", 2.0, _HARDNESS | _ALKALINITY),
    Slip("meq/L and mmol/L confused", 2.0, _DIVALENT),
    Slip("a decimal sign lost or a digit too many", 10.0),
    Slip("mS/m and µS/cm confused", 10.0, _CONDUCTIVITY),
    Slip("mS/cm and µS/cm confused", 1000.0, _CONDUCTIVITY),
    Slip("20 °C and 25 °C as the reference confused", 1.116, _CONDUCTIVITY),  # [ISO7888]
    Slip("µg/L and mg/L confused", 1000.0, _METALS),
    Slip("HCO3 and CaCO3 as the form confused", HCO3_PER_CACO3, _ALKALINITY | {"bicarbonate"}),
    Slip("Ca and CaCO3 as the form confused", CACO3_PER_CALCIUM, frozenset({"calcium", *_HARDNESS})),
    Slip("Mg and CaCO3 as the form confused", CACO3_PER_MAGNESIUM, frozenset({"magnesium", "magnesium_hardness"})),
    Slip("CaO and CaCO3 as the form confused", CACO3_PER_CAO, _HARDNESS),
    Slip("mmol/L of acid capacity typed as °dH", DEGREE_PER_MEQ, _ALKALINITY),
    Slip("N and NO3 as the form confused", NITRATE_PER_NITROGEN, frozenset({"nitrate"})),
    Slip("S and SO4 as the form confused", SULFATE_PER_SULFUR, frozenset({"sulfate"})),
    Slip("Si and SiO2 as the form confused", SILICA_PER_SILICON, frozenset({"silica"})),
    *_between_degrees(),
)


def closest(analyte: TextColumn, ratio: Floats, tolerance: float) -> TextColumn:
    """Name the slip of the quantity whose ratio comes closest, and every other that has the same ratio.

    Parameters
    ----------
    analyte : (n,) codes; a slip that cannot happen to a quantity is never named for it.
    ratio : (n,) the larger reading over the smaller, missing where one of them is not above 0 [-].
    tolerance : how far a ratio may lie from that of a slip [-].

    Returns
    -------
    (n,) words joined by "; or ", with the ratio of each; "" where none comes close enough.
    """
    expected = np.array([slip.ratio for slip in SLIPS])
    apart = np.abs(ratio[:, None] / expected - 1)
    possible = np.array(
        [[not slip.analytes or code in slip.analytes for slip in SLIPS] for code in analyte.texts], dtype="bool"
    ).reshape(len(analyte.texts), len(SLIPS))
    apart = np.where(possible[analyte.codes], apart, np.inf)
    apart = np.where(np.isnan(apart) | (apart > tolerance), np.inf, apart)
    least = apart.min(axis=1, initial=np.inf)
    # Ratios are compared, not distances: two slips on either side of a reading are not the same.
    nearest = expected[apart.argmin(axis=1)] if len(apart) else expected[:0]
    equal = np.isfinite(apart) & (np.abs(expected / nearest[:, None] - 1) <= _EQUAL) & np.isfinite(least)[:, None]
    answers = {f"{slip.words} (ratio {slip.ratio:.4g})": equal[:, place] for place, slip in enumerate(SLIPS)}
    return fitting(len(ratio), answers)


def degree_typed(samples: SampleTable, analyte: str) -> Places:
    """Tell in which degree a quantity was written or counted.

    Returns
    -------
    (n,) position in MG_CACO3_PER_DEGREE; -1 where it was another unit or is not known.
    """
    place = np.full(len(samples), -1, dtype="intp")
    if "raw_unit" not in samples.readings:
        return place
    row = np.flatnonzero(samples.once(record.said, "analyte").isin([analyte]))
    written = samples.once(record.said, "raw_unit")
    named = np.array([_degree_number(text) for text in written.texts], dtype="intp")[written.codes[row]]
    if "degree_per_drop" in samples.readings:
        worth = samples.readings["degree_per_drop"].to_numpy(dtype="float64")[row]
        named = np.where(named < 0, _counted(worth), named)
    known = named >= 0
    place[samples.once(record.positions)[row[known]]] = named[known]
    return place


def _degree_number(text: str) -> int:
    found = read_unit(text)
    code = found.codes[0] if found and found.codes else ""
    return list(MG_CACO3_PER_DEGREE).index(_CODES[code]) if code in _CODES else -1


def _counted(per_drop: Floats) -> Places:
    """Recognise the degree of a kit by what one drop is worth."""
    apart = np.abs(per_drop[:, None] / np.array(list(MG_CACO3_PER_DEGREE.values())) - 1)
    nearest = np.where(np.isnan(apart), np.inf, apart).argmin(axis=1)
    close = np.take_along_axis(apart, nearest[:, None], axis=1)[:, 0] < 1e-3  # noqa: PLR2004 -- rounding of a factor
    return np.where(close, nearest, -1).astype("intp")
