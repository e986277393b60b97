"""A sample against the earlier samples of its own site, point and stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.columns import either, first_that_holds, worded
from pipeline.checks.registry import check
from pipeline.texts import TextColumn, concatenated, numbered
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.columns import CaseColumn, Cases
    from pipeline.normalise.sample_table import SampleTable


# Hardness, alkalinity and conductivity move together when the supply changes; the others do as they like.
_TOGETHER: Final = ("total_hardness", "alkalinity", "conductivity")
_JUDGED: Final = (*_TOGETHER, "ph", "chloride")
# An ion by itself is no finding here, but a reading beside which it moved has not moved alone.
_BESIDE: Final = ("calcium", "magnesium", "sodium", "sulfate", "nitrate")
HISTORY_ANALYTES: Final = (*_JUDGED, *_BESIDE)
_WHERE: Final = ("client", "site", "sampling_point", "stage")
_UNITS: Final = {"ph": "", "conductivity": " µS/cm", "chloride": " mg/L"}
_CALLED: Final = {"ph": "pH"}
_EVERYWHERE: Final = slice(None)
_NORMAL: Final = 1.4826  # median deviation of a normal distribution -> its standard deviation [IH1993]


@dataclass(frozen=True)
class SiteHistoryLimits:
    """Limits of the history of a site; common practice of the trade [CP] unless a key says otherwise."""

    note_z: float = 3.5  # modified z score to look at [IH1993]
    hold_z: float = 7.0  # twice that, and no other quantity moved [CP]
    least_earlier: int = 3  # samples before a site has a history [CP]
    most_earlier: int = 12  # how far back it goes [CP]
    natural_share: float = 0.05  # by which a supply wanders without having changed, k = 1 [CP]
    natural_ph: float = 0.1  # the same of pH [CP]
    relative_uncertainty: float = 0.10  # of a reading that states none, k = 2 [CP]
    softened_below: float = 0.2  # of the usual hardness, alone: what a softener does, no error by itself [CP]
    softened_to_mg_l_caco3: float = 20.0  # what it leaves; from there up it was used up or passed by [CP]
    together_within: float = 0.15  # of one ratio: hardness, alkalinity and conductivity moved together [CP]


@check(
    "site-history",
    title="A sample lies within what its site showed before",
    source="IH1993, CP",
    limits=SiteHistoryLimits,
    severity="hold",
    message="{quantity} is {shown}{unit}, {times:0} times the usual scatter from {usual}, the middle of the "
    "{earlier:0} samples before it at this point. {alternative}.",
)
def site_history(samples: SampleTable, limits: SiteHistoryLimits) -> Cases:
    """Compare a sample with the earlier ones of the same site, point and stage.

    A site's water is its own best reference: a lost digit, a bottle of another site or a wrong unit stands
    out against it. So does a true change of supply, which is news and no error; it moves hardness,
    alkalinity and conductivity by the same factor, as no single mistake does.

    Parameters
    ----------
    samples : hardness, alkalinity, conductivity, pH, chloride, their uncertainties; `client site
        sampling_point stage collected_at activity`; ``earlier`` samples of the store count as well.
    limits : see ``SiteHistoryLimits``.

    Returns
    -------
    one row per sample with at least three earlier ones: the quantity that lies furthest out; `observed` its
    distance from their median in units of their scatter.

    Notes
    -----
    z = (x - median) / s, s the larger of 1.4826 MAD [IH1993] and the uncertainty of method and supply √(U² / 2 + (0.05
    median)²), over up to twelve earlier samples [CP]. |z| > 3.5 is a note. It is held only for raw water with |z| > 7
    where another of the three is known well enough to have shown the same change, none of them did and no ion moved
    beside them, and not where hardness alone fell below a fifth or rose from below 20 mg/L to five times, as a
    softener makes it that begins or ends.
    """
    rows = _visits_in_order(samples)
    rows = rows.take(np.flatnonzero(np.bincount(rows.where, minlength=1)[rows.where] > limits.least_earlier))
    before = _before(rows, limits.most_earlier)
    judged = {name: _against(rows, before, _EVERYWHERE, name, limits) for name in _JUDGED}
    return _worded(samples, rows, before, judged, limits)


@dataclass(frozen=True)
class _Rows:
    """Samples by place and time, (n,) each: position in the batch (-1: of the store), place, moment, numbers."""

    place: Places
    where: Places
    site: Places
    raw: Flags
    when: record.Instants
    numbers: dict[str, Floats]

    def take(self, rows: Places) -> _Rows:
        """Keep some rows, in the order given."""
        numbers = {name: part[rows] for name, part in self.numbers.items()}
        return _Rows(self.place[rows], self.where[rows], self.site[rows], self.raw[rows], self.when[rows], numbers)


def _visits_in_order(samples: SampleTable) -> _Rows:
    """Lay the samples of the batch and the earlier ones of the store out by place and time."""
    facts = {name: samples.fact(name) for name in _WHERE}
    when = samples.once(record.instants, "collected_at")
    usable = samples.fact("activity").isin(["", "routine"]) & (facts["client"].stated() | facts["site"].stated())
    batch = np.flatnonzero(usable & ~np.isnat(when))
    columns = {ANALYTES[name].column: name for name in HISTORY_ANALYTES}
    numbers = {name: samples.measured[column].to_numpy()[batch] for column, name in columns.items()}
    numbers |= {f"{name}.u": samples.uncertainty[column].to_numpy()[batch] for column, name in columns.items()}
    told = {name: fact.take(batch) for name, fact in facts.items()}
    place, when = batch, when[batch]
    earlier = samples.earlier
    if len(earlier):
        short = {**columns, **{f"{old}.u": f"{new}.u" for old, new in columns.items()}}
        stored = {new: record.as_numbers(earlier, old).to_numpy() for old, new in short.items()}
        numbers = {name: np.append(stored[name], values) for name, values in numbers.items()}
        told = {
            name: concatenated([TextColumn.from_series(record.as_texts(earlier, name)), fact])
            for name, fact in told.items()
        }
        place = np.append(np.full(len(earlier), -1), place)
        when = np.append(earlier["collected_at"].to_numpy(dtype="datetime64[us]"), when)
    where = numbered(list(told.values()))
    site = numbered([told["client"], told["site"]])
    rows = _Rows(place, where, site, told["stage"].isin(["raw"]), when, numbers)
    return rows.take(np.lexsort([when, where]))


def _before(rows: _Rows, most: int) -> Places:
    """Point from every row to the rows before it at the same place; to one past the end where there is none."""
    where, when, count = rows.where, rows.when, len(rows.where)
    place = np.full((count, most), count, dtype="int64")
    for back in range(1, min(most, count - 1) + 1):
        fits = (where[back:] == where[:-back]) & (when[back:] > when[:-back])
        place[back:, back - 1] = np.where(fits, np.arange(count - back), count)
    return place


def _middle(values: Floats, count: Places) -> Floats:
    """Take the median of the ``count`` known numbers of each row; gaps are sorted behind them."""
    ordered = np.sort(values, axis=1)
    at = np.arange(len(ordered))
    last = values.shape[1] - 1
    middle: Floats = (ordered[at, np.maximum(count - 1, 0) // 2] + ordered[at, np.minimum(count // 2, last)]) / 2
    return middle


def _against(
    rows: _Rows, before: Places, at: Places | slice, name: str, limits: SiteHistoryLimits
) -> dict[str, Floats]:
    """Give, for the rows at some places, value, median and scatter of those before, and the distance in units of it."""
    earlier = np.append(rows.numbers[name], np.nan).take(before[at])
    value, stated = rows.numbers[name][at], rows.numbers[f"{name}.u"][at]
    count = np.count_nonzero(~np.isnan(earlier), axis=1)
    median = _middle(earlier, count)
    deviation = _middle(np.abs(earlier - median[:, None]), count)
    usual = 0.0 if name == "ph" else limits.relative_uncertainty * np.abs(value)
    natural = limits.natural_ph if name == "ph" else limits.natural_share * np.abs(median)
    # A reading that lost its decimal mark must not widen its own range: the uncertainty is that of the median.
    size = np.divide(np.abs(median), np.abs(value), out=np.ones(len(value)), where=np.abs(value) > np.abs(median))
    own = np.where(np.isnan(stated), usual, stated) * size
    scatter = np.maximum(_NORMAL * deviation, np.sqrt(own**2 / 2 + natural**2))
    known = (count >= limits.least_earlier) & ~np.isnan(value) & (scatter > 0)
    z = np.divide(value - median, scatter, out=np.full(len(value), np.nan), where=known)
    ratio = np.divide(value, median, out=np.full(len(value), np.nan), where=known & (median > 0))
    return {"value": value, "median": median, "scatter": scatter, "earlier": count * 1.0, "z": z, "ratio": ratio}


def _worded(
    samples: SampleTable,
    rows: _Rows,
    before: Places,
    judged: dict[str, dict[str, Floats]],
    limits: SiteHistoryLimits,
) -> Cases:
    """Put the samples that stand out into words, and tell which ones have a past."""
    own = rows.place >= 0
    furthest = np.fmax.reduce([np.abs(one["z"]) for one in judged.values()])
    far = furthest > limits.note_z
    out = np.flatnonzero(own & far)
    beside = [np.abs(_against(rows, before, out, name, limits)["z"]) > limits.note_z for name in _BESIDE]
    evaluated = np.zeros(len(samples), dtype="bool")
    evaluated[rows.place[own & ~np.isnan(furthest)]] = True
    chosen = {name: {part: values[out] for part, values in one.items()} for name, one in judged.items()}
    found = _cases(rows.raw[out], _raw_water_moved(rows, far)[out], chosen, np.logical_or.reduce(beside), limits)
    return {**found, "place": rows.place[out], "evaluated": evaluated}


def _raw_water_moved(rows: _Rows, moved: Flags) -> Flags:
    """Tell which rows are of a day on which the raw water of the site moved: then no treatment has to be to blame."""
    day = pd.factorize(rows.when.astype("datetime64[D]"))[0]
    visit = rows.site * (int(day.max(initial=0)) + 1) + day
    return np.isin(visit, visit[rows.raw & moved])


def _cases(
    raw: Flags, with_raw: Flags, judged: dict[str, dict[str, Floats]], beside: Flags, limits: SiteHistoryLimits
) -> dict[str, CaseColumn]:
    z = np.column_stack([one["z"] for one in judged.values()])
    furthest = np.where(np.isnan(z), -1.0, np.abs(z)).argmax(axis=1)
    at = np.arange(len(raw))
    chosen = {
        part: np.column_stack([one[part] for one in judged.values()])[at, furthest]
        for part in ("value", "median", "scatter", "earlier", "ratio")
    }
    observed = z[at, furthest]
    together = _moved_by_one_factor(judged, limits)
    three = np.arange(len(_TOGETHER))
    other = ~np.isnan(z[:, three]) & (furthest[:, None] != three)
    moved = other & (np.abs(z[:, three]) > limits.note_z)
    alone = (
        (other & _change_is_visible(judged, chosen["ratio"], limits)).any(axis=1)
        & ~moved.any(axis=1)
        & (furthest < len(_TOGETHER))
    )
    alone &= ~beside & ~(np.abs(z[:, -1]) > limits.note_z)
    softened = (furthest == 0) & _softener_came_or_went(chosen["ratio"], chosen["median"], limits)
    alone &= ~softened
    held = raw & alone & ~together & (np.abs(observed) > limits.hold_z)
    ph = furthest == _JUDGED.index("ph")
    shown, usual = (
        worded(len(raw), chosen, {f"{{{name}:0}}": ~ph, f"{{{name}:1}}": ph}) for name in ("value", "median")
    )
    answers = {
        "Hardness, alkalinity, conductivity moved together: another supply or season, no error": together
        & (raw | with_raw),
        "The treatment may be used up or its valve moved, or the reading is wrong: retest": ~raw,
        "A softener put before this point, or taken off it, would look like this: ask for one": softened & ~together,
        "Nothing else moved with it: a reading, its unit or the label is wrong": alone,
        "Repeat the test: a changed supply or a wrong reading": np.ones(len(raw), dtype="bool"),
    }
    return {
        "observed": observed,
        "low": -limits.note_z,
        "high": limits.note_z,
        "severity": either(held, "hold", "note"),
        "analyte": TextColumn(furthest, _JUDGED),
        "quantity": TextColumn(furthest, tuple(_CALLED.get(name, name.replace("_", " ")) for name in _JUDGED)),
        "shown": shown,
        "usual": usual,
        "unit": TextColumn(furthest, tuple(_UNITS.get(name, " mg/L as CaCO3") for name in _JUDGED)),
        "times": np.abs(observed),
        **chosen,
        "alternative": first_that_holds(len(raw), answers),
    }


def _change_is_visible(judged: dict[str, dict[str, Floats]], ratio: Floats, limits: SiteHistoryLimits) -> Flags:
    """Tell which of the three are known so well that a change by this ratio would have shown in them."""
    change = np.abs(ratio - 1.0)
    shown = [change * one["median"] / one["scatter"] > limits.note_z for one in (judged[name] for name in _TOGETHER)]
    told: Flags = np.column_stack(shown)
    return told


def _softener_came_or_went(ratio: Floats, median: Floats, limits: SiteHistoryLimits) -> Flags:
    """Tell where hardness fell to what a softener leaves of it, or rose from what one leaves."""
    begun = ratio < limits.softened_below
    ended = (median <= limits.softened_to_mg_l_caco3) & (ratio > 1.0 / limits.softened_below)
    softened: Flags = begun | ended
    return softened


def _moved_by_one_factor(judged: dict[str, dict[str, Floats]], limits: SiteHistoryLimits) -> Flags:
    """Tell where at least two of the three moved, all known ones by the same factor."""
    ratio = [judged[name]["ratio"] for name in _TOGETHER]
    several = np.count_nonzero(~np.isnan(ratio), axis=0) >= 2  # noqa: PLR2004 - one quantity moves with nothing
    lowest, highest = np.fmin.reduce(ratio), np.fmax.reduce(ratio)
    same = highest <= lowest * (1 + limits.together_within) / (1 - limits.together_within)
    aside = (lowest > 1) | (highest < 1)
    together: Flags = several & same & aside
    return together
