"""The other bottle of a visit: what a treatment leaves alone, or takes alike, binds the readings of both sides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks.pairs import TreatmentLimits, matched_pairs
from pipeline.checks.softening import conductivity_ratios
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
# What is left open of each rule, besides the readings (ln; of the raw alkalinity for a decarboniser; k = 1) [CP].
_SOFTENER: Final = (0.05, 0.04)  # alkalinity stays; so does conductivity, but for what goes about in pairs
_CARBON: Final = 0.06  # everything stays
_MEMBRANE: Final = (0.12, 0.03)  # alkalinity and hardness fall as conductivity does; what passes, of the raw water
_OTHER_WRONG: Final = (0.005, 0.7)  # that a gap is the other bottle's doing, and how large it is then (k = 1) [CP]
_DECARBONISER: Final = 0.15  # hardness and alkalinity fall by the same amount


@dataclass(frozen=True)
class OtherBottle:
    """Readings of the other bottle of each of (n,) samples' visits; missing where there is none.

    Attributes
    ----------
    amounts, relative : (3, n) hardness, alkalinity and conductivity, and their relative standard uncertainties.
    rise : (2, n) logarithm of the conductivity behind a softener over the one before it, and what is open of that.
    kind : (n,) place of the treatment in the kinds that bind, -1 for any other.
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
    code = np.full(len(named), -1)
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
        for place, gaps in enumerate(_gaps(values, spread, other)):
            for gap, variance in gaps:
                score = np.where(other.kind == place, gap / np.sqrt(variance), np.nan)
                log += np.nan_to_num(np.where(other.kind == place, _log_density(gap, variance), 0.0))
                np.fmax(worst, np.abs(score), out=worst)
    return log, worst


def _log_density(gap: Floats, variance: Floats) -> Floats:
    """Give the logarithm of the density of a gap, which the other bottle may have made."""
    share, width = _OTHER_WRONG
    own, others = (
        -0.5 * (gap**2 / spread + np.log(2.0 * np.pi * spread)) for spread in (variance, variance + width**2)
    )
    return np.asarray(np.logaddexp(np.log1p(-share) + own, np.log(share) + others), dtype="float64")


def _gaps(values: RowReadings, spread: RowReadings, other: OtherBottle) -> tuple[Gaps, ...]:
    """Give, by kind of treatment, what should be 0, and its variance."""
    own = [values[ROW[name]] for name in _SHARED]
    relative = [spread[ROW[name]] / value for name, value in zip(_SHARED, own, strict=True)]
    sign = np.where(other.raw, -1.0, 1.0)
    hardness, alkalinity, electric = (
        sign * np.log(np.where(value > 0, value, np.nan) / mate) for value, mate in zip(own, other.amounts, strict=True)
    )
    h2, a2, e2 = (mine**2 + mate**2 for mine, mate in zip(relative, other.relative, strict=True))
    lost = [sign * (mate - value) for value, mate in zip(own[:2], other.amounts[:2], strict=True)]
    raw = np.where(other.raw, own[1], other.amounts[1])
    reach = [value * mine for value, mine in zip(own[:2], relative[:2], strict=True)]
    reach += [value * mine for value, mine in zip(other.amounts[:2], other.relative[:2], strict=True)]
    apart = sum((part**2 for part in reach), start=np.zeros(1)) / raw**2
    stays, open_rise = _SOFTENER
    rise, between = other.rise
    alike, passes = _MEMBRANE
    membrane = alike**2 + (passes * np.exp(-electric)) ** 2
    takes = (lost[0] - lost[1]) / raw
    return (
        [(alkalinity, a2 + stays**2), (electric - rise, e2 + open_rise**2 + between**2)],
        [(gap, variance + _CARBON**2) for gap, variance in ((hardness, h2), (alkalinity, a2), (electric, e2))],
        [(alkalinity - electric, a2 + e2 + membrane), (hardness - electric, h2 + e2 + membrane)],
        [(takes, apart + _DECARBONISER**2)],
        [(np.minimum(takes, 0.0), apart + _DECARBONISER**2)],  # its sodium or potassium goes for hardness alone
        [(alkalinity - electric, a2 + e2 + membrane)],  # what is left of the hardness says nothing of the membrane
    )
