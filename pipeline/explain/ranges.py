"""What a reading usually is: the weak opinion of nature and the stronger one of the site's own history."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM, HCO3_PER_CACO3, MG_CACO3_PER_MEQ
from pipeline.explain.record import ROW
from pipeline.explain.relations.relation import or_zero
from pipeline.reference import table
from pipeline.texts import TextColumn, concatenated, numbered
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.explain.other_bottle import OtherBottle
    from pipeline.explain.record import Record
    from pipeline.normalise.sample_table import SampleTable

    Rows = dict[str, Floats]

HISTORY: Final = (
    "total_hardness",
    "alkalinity",
    "conductivity",
    "calcium",
    "magnesium",
    "sodium",
    "chloride",
    "sulfate",
)
_EXCHANGED: Final = ("total_hardness", "calcium", "magnesium", "sodium")  # by a softener that was put in since
SHIFTED: Final = ("total_hardness", "alkalinity", "conductivity")  # move together when the source changes [CP]
LOG_PCO2: Final = (-2.3, 0.55)  # of a raw water: -3.4 (air) to -1.2 (deep well), k = 1 [AP2005]
_PK_OPEN: Final = 7.82  # −log of K1·KH at 25 °C: 6.35 + 1.47 [PB1982]
_LINEAR: Final = ("temperature", "ph")
_TREATED_WIDER: Final = 1.6  # times the spread behind a treatment [CP]
_TREATED_ALKALINITY: Final = 1.2  # ln, alkalinity over hardness behind a treatment [CP]
_HISTORY_LEAST: Final = (
    0.10,
    0.30,
)  # ln, what a steady source varies by: what moves together, any other ion (k = 1) [CP]
_HISTORY_SAMPLES: Final = 3
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


@dataclass(frozen=True)
class PastReadings:
    """What the other samples of the site say: centre and spread (ln) by quantity; missing where too few.

    ``other`` is the other bottle of each visit, None where it does not count.
    """

    centre: dict[str, Floats]
    spread: dict[str, Floats]
    samples: Floats
    other: OtherBottle | None = None

    def take(self, at: Places) -> PastReadings:
        """Keep the samples at these places."""
        centre = {name: values[at] for name, values in self.centre.items()}
        spread = {name: values[at] for name, values in self.spread.items()}
        return PastReadings(centre, spread, self.samples[at], None if self.other is None else self.other.take(at))

    def none(self) -> PastReadings:
        """Forget what the sites say."""
        centre = {name: np.full_like(values, np.nan) for name, values in self.centre.items()}
        return PastReadings(centre, self.spread, np.zeros_like(self.samples))


@dataclass(frozen=True)
class WaterKinds:
    """What kind of water the columns are taken for; (m,) each."""

    treated: Flags
    softened: Flags
    soda: Flags
    moved: Flags


def past_readings(samples: SampleTable, record: Record) -> PastReadings:
    """Give every sample the median and the spread of the other samples of its point.

    Parameters
    ----------
    samples : `client site sampling_point stage`; ``earlier`` samples of the store count as well.
    record : their readings.

    Returns
    -------
    History; at least three other samples are needed. Spread: 1.4826 × the median distance, not below 10 %
    (of a single ion 20 %) [CP],
    wider for few samples (√(1 + 2/n)).
    """
    none = np.full(len(record), np.nan)
    if not {"client", "site"} & set(samples.about.columns):
        return PastReadings(dict.fromkeys(HISTORY, none), dict.fromkeys(HISTORY, none), np.zeros(len(record)))
    before = samples.earlier
    parts = [_followed(samples, name) for name in ("client", "site", "sampling_point", "stage")]
    placed = (parts[0].stated() | parts[1].stated())[: len(record)]
    values = np.concatenate([record.amounts[[ROW[name] for name in HISTORY]].T, _stored(before)])
    log = np.log(np.where(values > 0, values, np.nan))
    middle, distance, others = (numbers[: len(record)].T for numbers in _robust(log, numbered(parts)))
    known = (others >= _HISTORY_SAMPLES) & placed
    centre = np.where(known, middle, np.nan)
    least = np.array([_HISTORY_LEAST[name not in SHIFTED] for name in HISTORY])[:, None]
    spread = np.maximum(distance, least) * np.sqrt(1.0 + 2.0 / np.maximum(others, 1.0))
    most = np.where(known, others, 0.0).max(axis=0)
    return PastReadings(dict(zip(HISTORY, centre, strict=True)), dict(zip(HISTORY, spread, strict=True)), most)


def _followed(samples: SampleTable, name: str) -> TextColumn:
    """Take a fact of the samples and, under them, of the earlier ones of the store."""
    return concatenated([samples.fact(name), TextColumn.of(samples.earlier, name)])


def _stored(before: pd.DataFrame) -> Floats:
    """Take the readings of the earlier samples, a column for each quantity; missing where the store has none."""
    return before.reindex(columns=[ANALYTES[name].column for name in HISTORY]).to_numpy(dtype="float64")


def _robust(log: Floats, code: np.ndarray) -> tuple[Floats, Floats, Floats]:
    """Median and robust deviation of each group, and how many other members a row has; by column."""
    groups = pd.DataFrame(log).groupby(code)
    middle = groups.transform("median").to_numpy()
    distance = 1.4826 * pd.DataFrame(np.abs(log - middle)).groupby(code).transform("median").to_numpy()
    others = groups.transform("count").to_numpy(dtype="float64") - ~np.isnan(log)
    return middle, distance, others


def density(values: Floats, spread: Floats, past: PastReadings, at: Places, water: WaterKinds) -> Floats:
    """Logarithm of how usual the readings of every column are.

    Parameters
    ----------
    values, spread : (r, m) readings and their standard uncertainties.
    past : history of all samples; ``at`` the (m,) sample of each column.
    water : what each column is taken for.

    Returns
    -------
    (m,) sum of log densities. Each reading counts once: given the site's history where there is one, else given
    the reading it goes with (alkalinity with hardness, potassium with sodium), else by itself; one that a
    relation predicts from others does not count here.

    Notes
    -----
    Log-normal, ln x ~ N(ln median, spread² + u²). pCO2 from alkalinity and pH: log pCO2 = log[HCO3] − pH + 7.82.
    When the source changed, hardness, alkalinity and conductivity share one unknown shift.
    """
    full = _completed(values)
    total = np.zeros(values.shape[1])
    done: dict[str, Flags] = {}
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = {name: np.log(np.maximum(value, _TINY)) for name, value in full.items()}
        relative = {name: _relative(values[ROW[name]], spread[ROW[name]]) for name in full}
        for name, given, median, width in _OPINIONS:
            if name not in full or (given and given not in full):
                continue
            before = done[name] if name in done else _predicted(name, full, values, past, at, water)
            counts = ~np.isnan(full[name]) & ~before
            if given:
                counts &= ~np.isnan(full[given])
            done[name] = before | counts
            if counts.any():
                opinion = _opinion(name, given, (median, width), full, (logs, relative), water)
                total += np.where(counts, opinion, 0.0)
        return total + _history(logs, relative, past, at, water) + _carbon_dioxide(full, spread, water)


def _relative(value: Floats, spread: Floats) -> Floats:
    own = np.minimum(spread / np.maximum(value, _TINY), 1.0)
    return np.where(np.isnan(own), _UNSTATED, own)


def _predicted(name: str, full: Rows, values: Floats, past: PastReadings, at: Places, water: WaterKinds) -> Flags:
    """Tell where a reading follows from others, or is judged by the site's history."""
    follows = [~np.isnan(full[other]) for other in _FOLLOWS.get(name, ()) if other in full]
    if name == "total_hardness":
        follows = [~np.isnan(values[ROW["calcium"]] + values[ROW["magnesium"]])]
    known = ~np.isnan(past.centre[name][at]) if name in past.centre else np.zeros(values.shape[1], dtype="bool")
    if name in _EXCHANGED:
        known &= ~water.softened
    return np.asarray(np.any([known, *follows], axis=0), dtype="bool")


def _opinion(
    name: str,
    given: str,
    usual: tuple[float, float],
    full: Rows,
    known: tuple[Rows, Rows],
    water: WaterKinds,
) -> Floats:
    """Judge one reading: given another one, or by itself."""
    (median, width), (logs, relative) = usual, known
    if name in _LINEAR:
        return _normal(full[name] - median, np.full(len(full[name]), width))
    centre = np.log(median) + (logs[given] if given else 0.0)
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
    own = np.hypot(relative[name], relative[given]) if given else relative[name]
    return _normal(logs[name] - centre, np.hypot(wide, own))


def _completed(values: Floats) -> Rows:
    """Name the rows that were read; hardness from its ions, alkalinity from bicarbonate where not titrated."""
    names = {name for name, _, _, _ in _OPINIONS}
    full = {name: values[ROW[name]] for name in names if not np.isnan(values[ROW[name]]).all()}
    hardness = CACO3_PER_CALCIUM * values[ROW["calcium"]] + CACO3_PER_MAGNESIUM * values[ROW["magnesium"]]
    for name, filler in (("total_hardness", hardness), ("alkalinity", values[ROW["bicarbonate"]] / HCO3_PER_CACO3)):
        own = values[ROW[name]]
        both = np.where(np.isnan(own), filler, own)
        if not np.isnan(both).all():
            full[name] = both
    return full


def _history(logs: Rows, relative: Rows, past: PastReadings, at: Places, water: WaterKinds) -> Floats:
    """Judge by the site's history; under a moved source the shift the readings share costs nothing more."""
    total = np.zeros(len(at))
    precision, weighted = np.zeros_like(total), np.zeros_like(total)
    for name in HISTORY:
        if name not in logs:
            continue
        gap = logs[name] - past.centre[name][at]
        known = ~np.isnan(gap)
        if name in _EXCHANGED:
            known &= ~water.softened
        if not known.any():
            continue
        own = np.where(water.moved, _SOURCE_OWN[name not in SHIFTED], 0.0)
        width = np.sqrt(past.spread[name][at] ** 2 + relative[name] ** 2 + own**2)
        total += np.where(known, _normal(gap, width), 0.0)
        if name in SHIFTED:
            inverse = np.where(known, 1.0 / width**2, 0.0)
            precision += inverse
            weighted += inverse * or_zero(gap)
    shift = 1.0 / _SOURCE_SHIFT**2
    gained = 0.5 * weighted**2 / (precision + shift) - 0.5 * np.log1p(precision / shift)
    return total + np.where(water.moved, gained, 0.0)


def _carbon_dioxide(full: Rows, spread: Floats, water: WaterKinds) -> Floats:
    """Judge the carbon dioxide that pH and alkalinity imply."""
    if "alkalinity" not in full or "ph" not in full:
        return np.zeros(spread.shape[1])
    alkalinity, ph = full["alkalinity"], full["ph"]
    meq = np.where(alkalinity > 0, alkalinity, np.nan) / MG_CACO3_PER_MEQ
    log_pco2 = np.log10(np.maximum(meq, _TINY) / 1000.0) - ph + _PK_OPEN
    centre = np.where(water.soda, SODA_LOG_PCO2[0], np.where(water.treated, LOG_PCO2[0] + 0.5, LOG_PCO2[0]))
    width = np.where(water.soda, SODA_LOG_PCO2[1], np.where(water.treated, 0.9, LOG_PCO2[1]))
    return or_zero(_normal(log_pco2 - centre, np.hypot(width, spread[ROW["ph"]])))


def _normal(gap: Floats, width: Floats) -> Floats:
    density_: Floats = -0.5 * (gap / width) ** 2 - np.log(width) - 0.5 * np.log(2.0 * np.pi)
    return density_
