"""The other bottle of a visit: what a treatment leaves alone, or takes alike, binds the readings of both sides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks.pairs import TreatmentLimits, matched_pairs
from pipeline.checks.softening import conductivity_ratios
from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ
from pipeline.explain.record import ROW

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.limits import Limits
    from pipeline.explain.readings import RowReadings
    from pipeline.explain.record import Record
    from pipeline.normalise.sample_table import SampleTable

    Gaps = list[tuple[Floats, Floats]]

_SHARED: Final = ("total_hardness", "alkalinity", "conductivity")
_SOFT_MEMBRANE: Final = "softener + reverse osmosis"
_KINDS: Final = ("softener", "carbon", "reverse osmosis", "decarboniser", "buffered decarboniser", _SOFT_MEMBRANE)
_UNNAMED: Final = len(_KINDS)  # the place of a treatment that nobody named: it may be any of these
# How common each is where none is named; what is left is any other treatment, which may change everything by itself.
_SHARES: Final = (0.2, 0.1, 0.22, 0.25, 0.18, 0.02)
_ANY_OTHER: Final = 1.5  # ln, how far another treatment moves each quantity (k = 1) [CP]
# What is left open of each rule, besides the readings (ln; of the raw alkalinity for a decarboniser; k = 1) [CP].
_SOFTENER: Final = (0.05, 0.04)  # alkalinity stays; so does conductivity, but for what goes about in pairs
_CARBON: Final = 0.06  # everything stays
_MEMBRANE: Final = (0.10, 0.03)  # alkalinity and hardness fall as conductivity does; what passes, of the raw water
_NEVER_RISES: Final = (
    0.06  # an exchanger adds none of what it takes out; no membrane keeps hardness back less than salts
)
_OTHER_WRONG: Final = (0.005, 0.7)  # that a gap is the other bottle's doing, and how large it is then (k = 1) [CP]
_DECARBONISER: Final = 0.08  # hardness and alkalinity fall by the same amount
# Conductivity falls by (a − b·√EC) ± c µS/cm for each meq/L of calcium bicarbonate that is taken out, fitted to waters
# of 100 to 1,500 µS/cm [PHREEQC3]; hardness exchanged for sodium or potassium moves it by some 15.
_CONDUCTIVITY_LOST: Final = (107.0, 1.0, 6.0)
_EXCHANGED: Final = 15.0
_BESIDE: Final = 0.03  # ln, conductivity: the water of two bottles of a visit [CP]
_LEAST_LEFT: Final = 0.05  # of the conductivity, whatever is taken out


@dataclass(frozen=True)
class OtherBottle:
    """Readings of the other bottle of each of (n,) samples' visits; missing where there is none.

    Attributes
    ----------
    amounts, relative : (3, n) hardness, alkalinity and conductivity, and their relative standard uncertainties.
    rise : (2, n) logarithm of the conductivity behind a softener over the one before it, and what is open of that.
    kind : (n,) place of the treatment in the kinds that bind, behind them where none is named, -1 for any other.
    raw : (n,) the sample is the one before the treatment.
    """

    amounts: Floats
    relative: Floats
    rise: Floats
    kind: Places
    raw: Flags

    def take(self, at: Places) -> OtherBottle:
        """Keep the samples at these places."""
        return OtherBottle(self.amounts[:, at], self.relative[:, at], self.rise[:, at], self.kind[at], self.raw[at])


def other_bottles(samples: SampleTable, record: Record, limits: Limits) -> OtherBottle:
    """Lay the other bottle of every visit beside its sample.

    Parameters
    ----------
    samples, record : all samples, and their readings.
    limits : how far apart the bottles of a visit are.
    """
    pairs = samples.once(matched_pairs, limits.of(TreatmentLimits).days_apart)
    before, behind = pairs["raw"].to_numpy(), pairs["treated"].to_numpy()
    named = pairs["kind"].astype("str").to_numpy()
    softer = (named == "reverse osmosis") & pairs["softened"].to_numpy()
    named = np.where(softer, _SOFT_MEMBRANE, named)
    code = np.where(named == "", _UNNAMED, -1)
    for place, name in enumerate(_KINDS):
        code[named == name] = place
    other = np.full(len(record), -1)
    kind, raw = np.full(len(record), -1), np.zeros(len(record), dtype="bool")
    for own, mate, side in ((before[::-1], behind[::-1], True), (behind, before, False)):
        codes = code[::-1] if side else code
        other[own], kind[own], raw[own] = mate, codes, side
    rows = [ROW[name] for name in _SHARED]
    amounts = np.where(other >= 0, record.amounts[rows][:, other], np.nan)
    relative = np.where(other >= 0, record.spread[rows][:, other], np.nan) / amounts
    rise = np.zeros((2, len(record)))
    rise[:, before] = rise[:, behind] = _rise(record, before, behind, code == _KINDS.index("softener"))
    return OtherBottle(amounts, relative, rise, kind, raw)


def _rise(record: Record, before: Places, behind: Places, softener: Flags) -> Floats:
    """Give what a softener makes of the conductivity of each pair (ln), and half the range between its salts."""
    rise = np.zeros((2, len(before)))
    chosen = np.flatnonzero(softener)
    if chosen.size:
        raw, treated = before[chosen], behind[chosen]
        hardness = record.amounts[ROW["total_hardness"]]
        ends = conductivity_ratios(hardness[raw], hardness[treated], record.amounts[ROW["alkalinity"], raw])
        least, most = (np.log(np.where(np.isnan(end), 1.0, end)) for end in ends)
        rise[:, chosen] = (least + most) / 2.0, (most - least) / 2.0
    return rise


def bound(values: RowReadings, spread: RowReadings, other: OtherBottle) -> tuple[Floats, Floats]:
    """Judge readings by the other bottle.

    Parameters
    ----------
    values, spread : (r, m) readings, and their standard uncertainties.
    other : the other bottle of each column.

    Returns
    -------
    (m,) logarithm of the density of all gaps; and the largest of them in standard uncertainties, missing where none.
    """
    log, worst = np.zeros(values.shape[1]), np.full(values.shape[1], np.nan)
    if (other.kind < 0).all():
        return log, worst
    with np.errstate(divide="ignore", invalid="ignore"):
        sides = _sides(values, spread, other)
        unnamed = other.kind == _UNNAMED
        mixture = np.log(1.0 - sum(_SHARES)) + sum(
            _normal(change, np.full(1, _ANY_OTHER**2)) for change in sides.change
        )
        least = np.full(values.shape[1], np.inf)
        for place, (gaps, free) in enumerate(_gaps(sides, other.rise)):
            scores = [np.abs(gap) / np.sqrt(variance) for gap, variance in gaps]
            furthest = np.fmax.reduce(scores)
            density = sum((_or_nothing(_log_density(gap, variance)) for gap, variance in gaps), start=np.zeros(1))
            here = other.kind == place
            log += np.where(here, density, 0.0)
            worst = np.where(here, furthest, worst)
            open_ = sum((_normal(gap, variance) for gap, variance in free), start=np.zeros(1))
            mixture = np.logaddexp(mixture, np.log(_SHARES[place]) + density + open_)
            least = np.fmin(least, furthest)
        log += np.where(unnamed, mixture, 0.0)
        worst = np.where(unnamed & np.isfinite(least), least, worst)
    return log, worst


def _or_nothing(density: Floats) -> Floats:
    """Let a gap that cannot be worked out say nothing."""
    return np.where(np.isnan(density), 0.0, density)


def _normal(gap: Floats, variance: Floats) -> Floats:
    return _or_nothing(np.asarray(-0.5 * (gap**2 / variance + np.log(2.0 * np.pi * variance)), dtype="float64"))


def _log_density(gap: Floats, variance: Floats) -> Floats:
    """Give the logarithm of the density of a gap, which the other bottle may have made."""
    share, width = _OTHER_WRONG
    own, others = (
        -0.5 * (gap**2 / spread + np.log(2.0 * np.pi * spread)) for spread in (variance, variance + width**2)
    )
    return np.asarray(np.logaddexp(np.log1p(-share) + own, np.log(share) + others), dtype="float64")


@dataclass(frozen=True)
class _Sides:
    """Hardness, alkalinity and conductivity before and behind, their change (ln) and relative variances of both."""

    raw: list[Floats]
    treated: list[Floats]
    change: list[Floats]
    variance: list[Floats]
    reach: Floats  # variance of what hardness and alkalinity lost [(mg/L as CaCO3)²]


def _sides(values: RowReadings, spread: RowReadings, other: OtherBottle) -> _Sides:
    own = [values[ROW[name]] for name in _SHARED]
    own = [np.where(value > 0, value, np.nan) for value in own]
    relative = [spread[ROW[name]] / value for name, value in zip(_SHARED, own, strict=True)]
    raw = [np.where(other.raw, value, mate) for value, mate in zip(own, other.amounts, strict=True)]
    treated = [np.where(other.raw, mate, value) for value, mate in zip(own, other.amounts, strict=True)]
    reach = [value * mine for value, mine in zip(own[:2], relative[:2], strict=True)]
    reach += [value * mine for value, mine in zip(other.amounts[:2], other.relative[:2], strict=True)]
    return _Sides(
        raw,
        treated,
        [np.log(behind / before) for before, behind in zip(raw, treated, strict=True)],
        [mine**2 + mate**2 for mine, mate in zip(relative, other.relative, strict=True)],
        sum((part**2 for part in reach), start=np.zeros(1)),
    )


def _gaps(sides: _Sides, rise: Floats) -> tuple[tuple[Gaps, Gaps], ...]:
    """Give, by kind of treatment, what should be 0 with its variance, and what it leaves open with that."""
    (hardness, alkalinity, electric), (h2, a2, e2) = sides.change, sides.variance
    more_hardness, more_alkalinity = (
        (np.maximum(change, 0.0), variance + _NEVER_RISES**2) for change, variance in ((hardness, h2), (alkalinity, a2))
    )
    lost_hardness, lost_alkalinity = (sides.raw[at] - sides.treated[at] for at in range(2))
    apart = sides.reach / sides.raw[1] ** 2 + _DECARBONISER**2
    stays, open_rise = _SOFTENER
    expected_rise, between = rise
    alike, passes = _MEMBRANE
    open_share = (passes * np.exp(-electric)) ** 2
    membrane = alike**2 + np.where(alkalinity > electric, open_share / 4.0, open_share)
    keeps = np.where(hardness > electric, _NEVER_RISES**2, alike**2 + open_share)
    takes = (lost_hardness - lost_alkalinity) / sides.raw[1]
    leaves = _conductivity_left(sides, lost_hardness - lost_alkalinity)
    softened = (hardness + 2.5, h2 + 1.2**2)
    decarbonised, rejected = (alkalinity + 0.9, a2 + 0.7**2), (electric + 1.6, e2 + 1.0)
    return (
        (
            [(alkalinity, a2 + stays**2), (electric - expected_rise, e2 + open_rise**2 + between**2)],
            [softened],
        ),
        ([(gap, variance + _CARBON**2) for gap, variance in ((hardness, h2), (alkalinity, a2), (electric, e2))], []),
        ([(alkalinity - electric, a2 + e2 + membrane), (hardness - electric, h2 + e2 + keeps)], [rejected]),
        ([(takes, apart), leaves], [decarbonised]),
        # Its sodium or potassium goes for hardness alone.
        ([(np.minimum(takes, 0.0), apart), leaves, more_hardness, more_alkalinity], [decarbonised]),
        # What is left of the hardness says nothing of the membrane.
        ([(alkalinity - electric, a2 + e2 + membrane)], [rejected, (hardness + 3.0, h2 + 2.0)]),
    )


def _conductivity_left(sides: _Sides, exchanged: Floats) -> tuple[Floats, Floats]:
    """Compare the conductivity behind a decarboniser with what the bicarbonate it took leaves of it (ln)."""
    weak, stronger, open_each = _CONDUCTIVITY_LOST
    before, behind = sides.raw[2], sides.treated[2]
    each = np.maximum(weak - stronger * np.sqrt(before), 0.5 * weak)
    taken = (sides.raw[1] - sides.treated[1]) / MG_CACO3_PER_MEQ
    left = np.maximum(before - each * taken, _LEAST_LEFT * before)
    known = each**2 * sides.reach / MG_CACO3_PER_MEQ**2
    model = (open_each * taken) ** 2 + (_EXCHANGED * exchanged / MG_CACO3_PER_MEQ) ** 2
    return np.log(behind / left), sides.variance[2] * (before / left) ** 2 + (known + model) / left**2 + _BESIDE**2
