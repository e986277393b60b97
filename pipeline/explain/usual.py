"""How usual readings are: the weak opinion of nature and the stronger one of the site's own history."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM, HCO3_PER_CACO3, MG_CACO3_PER_MEQ
from pipeline.explain.ranges import HISTORY, SHIFTED
from pipeline.explain.record import ROW
from pipeline.explain.relations.relation import or_zero
from pipeline.reference import table

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.explain.ranges import PastReadings
    from pipeline.explain.readings import RowReadings, Unchanged

_EXCHANGED: Final = ("total_hardness", "calcium", "magnesium", "sodium")  # by a softener that was put in since
LOG_PCO2: Final = (-2.3, 0.55)  # of a raw water: -3.4 (air) to -1.2 (deep well), k = 1 [AP2005]
_PK_OPEN: Final = 7.82  # −log of K1·KH at 25 °C: 6.35 + 1.47 [PB1982]
_LINEAR: Final = ("temperature", "ph")
# Density of a temperature that no cold pipe has: a twentieth, anywhere from 20 to 100 °C [CP].
_HOT: Final = 0.05 / 80.0
_TREATED_WIDER: Final = 1.6  # times the spread behind a treatment [CP]
_TREATED_ALKALINITY: Final = 1.2  # ln, alkalinity over hardness behind a treatment [CP]
_SOURCE_SHIFT: Final = 1.0  # ln, how far another source may lie as a whole (k = 1) [CP]
_SOURCE_OWN: Final = (0.7, 0.9)  # ln, and each of the three beside it; any other ion by itself [CP]
SOFT: Final = {"total_hardness": (10.0, 1.2), "sodium": (120.0, 0.7), "alkalinity": (180.0, 0.7), "calcium": (3.0, 1.3)}
SODA: Final = {"sodium": (250.0, 0.9), "alkalinity": (450.0, 0.8), "total_hardness": (120.0, 1.2)}
SODA_LOG_PCO2: Final = (-1.2, 0.9)
_TINY: Final = 1e-6
_UNSTATED: Final = 0.05  # relative uncertainty of a hardness or alkalinity that was summed up (k = 1) [CP]


def _opinions() -> tuple[tuple[str, str, float, float], ...]:
    rows = table("natural_ranges").fillna({"given": ""})
    columns = (rows[name].tolist() for name in ("analyte", "given", "median", "spread"))
    return tuple(zip(*columns, strict=True))


_OPINIONS: Final = _opinions()
_ALONE: Final = {name: (median, spread) for name, given, median, spread in _OPINIONS if not given}
_FOLLOWS: Final = {  # readings a relation predicts
    "conductivity": ("total_hardness", "alkalinity", "calcium", "bicarbonate"),
    "tds": ("conductivity", "total_hardness", "alkalinity"),
    "bicarbonate": ("bicarbonate",),  # judged as alkalinity
}
_MADE_OF: Final = {"total_hardness": ("calcium", "magnesium"), "alkalinity": ("bicarbonate",)}  # where not titrated


@dataclass(frozen=True)
class WaterKinds:
    """What kind of water the columns are taken for; (m,) each."""

    treated: Flags
    softened: Flags
    soda: Flags
    moved: Flags


class Amounts:
    """Readings by quantity: hardness from its ions, alkalinity from bicarbonate where not titrated."""

    def __init__(self, values: RowReadings, spread: RowReadings) -> None:
        """Take (r, m) readings and their standard uncertainties; what is asked for twice is worked out once."""
        self.values, self.spread = values, spread
        self.of, self.log, self.relative = cache(self._of), cache(self._log), cache(self._relative)

    def read(self, name: str) -> Flags:
        """Tell where a quantity is known."""
        return ~np.isnan(self.of(name))

    def _of(self, name: str) -> Floats:
        values = self.values
        own = values[ROW[name]]
        if name == "total_hardness":
            ions = CACO3_PER_CALCIUM * values[ROW["calcium"]] + CACO3_PER_MAGNESIUM * values[ROW["magnesium"]]
            return np.where(np.isnan(own), ions, own)
        if name == "alkalinity":
            return np.where(np.isnan(own), values[ROW["bicarbonate"]] / HCO3_PER_CACO3, own)
        return own

    def _log(self, name: str) -> Floats:
        return np.log(np.maximum(self.of(name), _TINY))

    def _relative(self, name: str) -> Floats:
        own = np.minimum(self.spread[ROW[name]] / np.maximum(self.values[ROW[name]], _TINY), 1.0)
        return np.where(np.isnan(own), _UNSTATED, own)


@dataclass(frozen=True)
class Terms:
    """What makes up the density of (n,) waters, term by term; None where a term says nothing of any of them.

    ``counts``: where each opinion of nature counts, which no change of a reading alters.
    """

    counts: list[Flags]
    opinions: list[Floats | None]
    history: list[Floats | None]
    carbon_dioxide: Floats | None

    def sum(self, size: int) -> Floats:
        """Add them up."""
        opinions, history, last = (
            sum((part for part in parts if part is not None), start=np.zeros(size))
            for parts in (self.opinions, self.history, [self.carbon_dioxide])
        )
        return np.asarray(opinions + history + last)


def usual_terms(
    amounts: Amounts,
    past: PastReadings,
    at: Places,
    water: WaterKinds,
    received: tuple[Terms, Unchanged] | None = None,
) -> Terms:
    """Logarithm of how usual the readings of every column are, term by term.

    Parameters
    ----------
    amounts : readings of (m,) columns.
    past : history of all samples; ``at`` the (m,) sample of each column.
    water : what each column is taken for.
    received : the terms of the samples that the columns are made of, taken for the same kinds of water, and what the
        columns have in common with them.

    Returns
    -------
    Terms, log densities. Each reading counts once: given the site's history where there is one, else given
    the reading it goes with (alkalinity with hardness, potassium with sodium), else by itself; one that a
    relation predicts from others does not count here.

    Notes
    -----
    Log-normal, ln x ~ N(ln median, spread² + u²). pCO2 from alkalinity and pH: log pCO2 = log[HCO3] − pH + 7.82.
    When the source changed, hardness, alkalinity and conductivity share one unknown shift.
    """

    def either(names: tuple[str, ...], own: Floats | None, make: Callable[[], Floats | None]) -> Floats | None:
        """Work a term out that a change may move; take over any other."""
        if received is None:
            return make()
        if own is None:
            return None
        return make() if received[1].moves(_rows_of(names)) else own.take(received[1].sample)

    with np.errstate(divide="ignore", invalid="ignore"):
        if received is None:
            history = _history(amounts, past, at, water)
            known = Terms(list(_counting(amounts, past, at, water)), [None] * len(_OPINIONS), history, None)
        else:
            known = received[0]
            history = [
                either((name,), own, partial(_of_history, name, amounts, past, at, water))
                for name, own in zip(HISTORY, known.history, strict=True)
            ]
        opinions = []
        for place, (name, given, median, width) in enumerate(_OPINIONS):
            counting = known.counts[place]
            make = partial(_counted, counting, received, name, given, (median, width), amounts, water)
            opinions.append(either((name, given) if given else (name,), known.opinions[place], make))
        carbon = either(("alkalinity", "ph"), known.carbon_dioxide, partial(_carbon_dioxide, amounts, water))
        return Terms(known.counts, opinions, history, carbon)


@cache
def _rows_of(names: tuple[str, ...]) -> frozenset[int]:
    """Give the rows from which some quantities come."""
    return frozenset(ROW[part] for name in names for part in (name, *_MADE_OF.get(name, ())))


def _counting(amounts: Amounts, past: PastReadings, at: Places, water: WaterKinds) -> Iterator[Flags]:
    """Tell where each opinion of nature counts: the first that can be had of a reading nothing else speaks of."""
    done: dict[str, Flags] = {}
    for name, given, _, _ in _OPINIONS:
        before = done[name] if name in done else _predicted(name, amounts, past, at, water)
        counts = amounts.read(name) & ~before
        if given:
            counts &= amounts.read(given)
        done[name] = before | counts
        yield counts


def _predicted(name: str, amounts: Amounts, past: PastReadings, at: Places, water: WaterKinds) -> Flags:
    """Tell where a reading follows from others, or is judged by the site's history."""
    follows = [amounts.read(other) for other in _FOLLOWS.get(name, ())]
    if name == "total_hardness":
        follows = [~np.isnan(amounts.values[ROW["calcium"]] + amounts.values[ROW["magnesium"]])]
    known = ~np.isnan(past.centre[name][at]) if name in past.centre else np.zeros(len(at), dtype="bool")
    if name in _EXCHANGED:
        known &= ~water.softened
    return np.asarray(np.any([known, *follows], axis=0), dtype="bool")


def _counted(
    counts: Flags,
    received: tuple[Terms, Unchanged] | None,
    name: str,
    given: str,
    usual: tuple[float, float],
    amounts: Amounts,
    water: WaterKinds,
) -> Floats | None:
    """Judge one reading where that counts."""
    if not counts.any():
        return None
    where = counts if received is None else counts.take(received[1].sample)
    return np.where(where, _opinion(name, given, usual, amounts, water), 0.0)


def _opinion(name: str, given: str, usual: tuple[float, float], amounts: Amounts, water: WaterKinds) -> Floats:
    """Judge one reading: given another one, or by itself."""
    median, width = usual
    if name in _LINEAR:
        density = _normal(amounts.of(name) - median, np.full(len(amounts.of(name)), width))
        return np.logaddexp(density, np.log(_HOT)) if name == "temperature" else density
    centre = np.log(median) + (amounts.log(given) if given else 0.0)
    wide = np.where(water.treated, width * _TREATED_WIDER, width)
    if given == "sodium":  # which a resin or the rock has put there: it says nothing of the others
        exchanged = water.softened | water.soda
        centre = np.where(exchanged, np.log(_ALONE[name][0]), centre)
        wide = np.where(exchanged, _ALONE[name][1], wide)
    if name == "alkalinity" and given:
        wide = np.where(water.treated, _TREATED_ALKALINITY, width)
    for special, flags in ((SOFT, water.softened), (SODA, water.soda)):
        if name in special:
            centre = np.where(flags, np.log(special[name][0]), centre)
            wide = np.where(flags, special[name][1], wide)
    own = np.hypot(amounts.relative(name), amounts.relative(given)) if given else amounts.relative(name)
    return _normal(amounts.log(name) - centre, np.hypot(wide, own))


def _history(amounts: Amounts, past: PastReadings, at: Places, water: WaterKinds) -> list[Floats | None]:
    """Judge by the site's history; under a moved source the shift the readings share costs nothing more."""
    found = [_of_history(name, amounts, past, at, water) for name in HISTORY]
    if not water.moved.any():
        return found
    precision, weighted = np.zeros(len(at)), np.zeros(len(at))
    for name in SHIFTED:
        gap, known, width = _from_history(name, amounts, past, at, water)
        if known.any():
            inverse = np.where(known, 1.0 / width**2, 0.0)
            precision += inverse
            weighted += inverse * or_zero(gap)
    shift = 1.0 / _SOURCE_SHIFT**2
    gained = 0.5 * weighted**2 / (precision + shift) - 0.5 * np.log1p(precision / shift)
    return [*found, np.where(water.moved, gained, 0.0)]


def _of_history(name: str, amounts: Amounts, past: PastReadings, at: Places, water: WaterKinds) -> Floats | None:
    gap, known, width = _from_history(name, amounts, past, at, water)
    return np.where(known, _normal(gap, width), 0.0) if known.any() else None


def _from_history(
    name: str, amounts: Amounts, past: PastReadings, at: Places, water: WaterKinds
) -> tuple[Floats, Flags, Floats]:
    """Give how far a reading is from its past (ln), whether it has one that still holds, and the width of both."""
    gap = amounts.log(name) - past.centre[name][at]
    known = ~np.isnan(gap)
    if name in _EXCHANGED:
        known &= ~water.softened
    own = np.where(water.moved, _SOURCE_OWN[name not in SHIFTED], 0.0)
    return gap, known, np.sqrt(past.spread[name][at] ** 2 + amounts.relative(name) ** 2 + own**2)


def _carbon_dioxide(amounts: Amounts, water: WaterKinds) -> Floats:
    """Judge the carbon dioxide that pH and alkalinity imply."""
    alkalinity, ph = amounts.of("alkalinity"), amounts.of("ph")
    meq = np.where(alkalinity > 0, alkalinity, np.nan) / MG_CACO3_PER_MEQ
    log_pco2 = np.log10(np.maximum(meq, _TINY) / 1000.0) - ph + _PK_OPEN
    centre = np.where(water.soda, SODA_LOG_PCO2[0], np.where(water.treated, LOG_PCO2[0] + 0.5, LOG_PCO2[0]))
    width = np.where(water.soda, SODA_LOG_PCO2[1], np.where(water.treated, 0.9, LOG_PCO2[1]))
    return or_zero(_normal(log_pco2 - centre, np.hypot(width, amounts.spread[ROW["ph"]])))


def _normal(gap: Floats, width: Floats) -> Floats:
    density_: Floats = -0.5 * (gap / width) ** 2 - np.log(width) - 0.5 * np.log(2.0 * np.pi)
    return density_
