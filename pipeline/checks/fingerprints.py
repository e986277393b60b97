"""What each kind of treatment does to each quantity, as rules a pair of samples can break."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import Floats
from pipeline.checks.softening import conductivity_ratios
from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ, MOLAR_MASS

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Flags
    from pipeline.checks.pairs import TreatmentLimits
Judgement = tuple[Floats, Floats, Floats, Floats]  # before, after, low, high

SODIUM_PER_HARDNESS: Final = MOLAR_MASS["sodium"] / MG_CACO3_PER_MEQ  # 0.4594 mg Na per mg CaCO3 [IUPAC2021]


@dataclass(frozen=True)
class Side:
    """One quantity per field, one number per pair; NaN where not measured."""

    hardness: Floats
    alkalinity: Floats
    conductivity: Floats
    ph: Floats
    sodium: Floats
    chloride: Floats
    calcium: Floats
    chlorine: Floats


@dataclass(frozen=True)
class Sides:
    """The raw and the treated side of all pairs, the allowed difference (k = 2) and the bypass [%]."""

    raw: Side
    treated: Side
    allowed: Side
    bypass: Floats


@dataclass(frozen=True)
class TreatmentRule:
    """One thing a treatment must do or must not do. ``kinds`` empty: whatever the treatment.

    ``weighed``: the quantity that the two bottles are weighed by as well, together with all other relations.
    """

    pattern: str
    kinds: tuple[str, ...]
    severity: str
    quantity: str
    alternative: str
    judge: Callable[[Sides, TreatmentLimits], Judgement]
    both: bool = False
    weighed: str = ""


def _no_bound(values: Floats) -> Floats:
    return np.full(len(values), np.nan)


def _where(where: Flags, values: Floats) -> Floats:
    return np.where(where, values, np.nan)


def swapped(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
    """Count the quantities that rose and fell beyond their uncertainty: all up and none down is a swap."""
    names = ("hardness", "alkalinity", "conductivity")
    change = [getattr(sides.treated, name) - getattr(sides.raw, name) for name in names]
    allowed = [getattr(sides.allowed, name) for name in names]
    rose = np.sum([step > limit for step, limit in zip(change, allowed, strict=True)], axis=0)
    fell = np.sum([step < -limit for step, limit in zip(change, allowed, strict=True)], axis=0)
    swap = (rose >= 2) & (fell == 0)  # noqa: PLR2004 -- two quantities must agree
    raw, treated = sides.raw.hardness, sides.treated.hardness
    return raw, treated, _no_bound(raw), _where(swap, raw + sides.allowed.hardness)


def unchanged(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
    """Raw equals treated in every shared quantity; at least two are needed."""
    names = ("hardness", "alkalinity", "conductivity")
    known = [~np.isnan(getattr(sides.raw, name) - getattr(sides.treated, name)) for name in names]
    equal = [getattr(sides.raw, name) == getattr(sides.treated, name) for name in names]
    same = np.all([~there | tie for there, tie in zip(known, equal, strict=True)], axis=0)
    same &= np.sum(known, axis=0) >= 2  # noqa: PLR2004 -- one tie is chance
    raw, treated = sides.raw.hardness, sides.treated.hardness
    lowest = np.where(np.isnan(treated), sides.raw.alkalinity, raw)
    after = np.where(np.isnan(treated), sides.treated.alkalinity, treated)
    return lowest, after, _no_bound(raw), _where(same, lowest * 0.999)


def nothing_taken(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
    """Expect hardness to fall by more than its standard uncertainty, where a fall could be seen at all."""
    raw, allowed = sides.raw.hardness, sides.allowed.hardness
    fall = raw * (1.0 - np.nan_to_num(sides.bypass) / 100.0)
    return raw, sides.treated.hardness, _no_bound(raw), _where(fall > 3.0 * allowed, raw - allowed / 2.0)


def through_bypass(quantity: str) -> Callable[[Sides, TreatmentLimits], Judgement]:
    """Make the rule that the recorded bypass lets its share of a quantity through."""

    def judge(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
        raw, treated = getattr(sides.raw, quantity), getattr(sides.treated, quantity)
        mixed = raw * sides.bypass / 100
        return raw, treated, mixed - getattr(sides.allowed, quantity), _no_bound(raw)

    return judge


def kept(quantity: str) -> Callable[[Sides, TreatmentLimits], Judgement]:
    """Make the rule that a treatment leaves a quantity as it is."""

    def judge(sides: Sides, limits: TreatmentLimits) -> Judgement:
        raw, treated = getattr(sides.raw, quantity), getattr(sides.treated, quantity)
        allowed = getattr(sides.allowed, quantity)
        if quantity == "conductivity":
            allowed = np.maximum(allowed, limits.conductivity_share * raw)
        return raw, treated, raw - allowed, raw + allowed

    return judge


def softened_conductivity(sides: Sides, limits: TreatmentLimits) -> Judgement:
    """Expect the conductivity that sodium in place of calcium and magnesium gives, whatever salt they came with."""
    raw, treated = sides.raw.conductivity, sides.treated.conductivity
    allowed = np.maximum(sides.allowed.conductivity, limits.conductivity_share * raw)
    most = np.ones(len(raw))
    rows = np.flatnonzero(treated > raw + allowed)
    if rows.size:
        hardness = sides.raw.hardness[rows], sides.treated.hardness[rows]
        most[rows] = np.fmax(conductivity_ratios(*hardness, sides.raw.alkalinity[rows])[1], 1.0)
    return raw, treated, raw - allowed, most * raw + allowed


def not_more(quantity: str) -> Callable[[Sides, TreatmentLimits], Judgement]:
    """Make the rule that a treatment does not raise a quantity."""

    def judge(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
        raw, treated = getattr(sides.raw, quantity), getattr(sides.treated, quantity)
        return raw, treated, _no_bound(raw), raw + getattr(sides.allowed, quantity)

    return judge


def not_less(quantity: str) -> Callable[[Sides, TreatmentLimits], Judgement]:
    """Make the rule that a treatment does not lower a quantity."""

    def judge(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
        raw, treated = getattr(sides.raw, quantity), getattr(sides.treated, quantity)
        return raw, treated, raw - getattr(sides.allowed, quantity), _no_bound(raw)

    return judge


def equal_share(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
    """Hardness falls by what alkalinity falls, or to nothing where alkalinity exceeds hardness."""
    removed = sides.raw.alkalinity - sides.treated.alkalinity
    expected = np.maximum(sides.raw.hardness - removed, 0)
    allowed = np.hypot(sides.allowed.hardness, sides.allowed.alkalinity)
    soda = sides.raw.alkalinity > sides.raw.hardness + sides.allowed.hardness
    low = expected - allowed
    return sides.raw.hardness, sides.treated.hardness, low, _where(~soda, expected + allowed)


def sodium_gain(sides: Sides, limits: TreatmentLimits) -> Judgement:
    """Expect 0.4594 mg of sodium for every mg of hardness removed."""
    removed = sides.raw.hardness - sides.treated.hardness
    expected = sides.raw.sodium + SODIUM_PER_HARDNESS * removed
    allowed = np.hypot(sides.allowed.sodium, SODIUM_PER_HARDNESS * sides.allowed.hardness)
    allowed = np.maximum(allowed, limits.relative_uncertainty * expected)
    return sides.raw.sodium, sides.treated.sodium, expected - allowed, expected + allowed


def membrane(sides: Sides, limits: TreatmentLimits) -> Judgement:
    """Hardness lost through a membrane takes conductivity with it."""
    share = sides.treated.hardness / np.where(sides.raw.hardness > 0, sides.raw.hardness, np.nan)
    worked = share < limits.membrane_share
    high = sides.raw.conductivity * (1 - limits.conductivity_share)
    return sides.raw.conductivity, sides.treated.conductivity, _no_bound(share), _where(worked, high)


def open_cup(sides: Sides, limits: TreatmentLimits) -> Judgement:
    """Expect no higher pH where alkalinity fell: a rise means lost carbon dioxide."""
    fell = sides.treated.alkalinity < sides.raw.alkalinity
    high = sides.raw.ph + np.maximum(limits.open_cup_ph, sides.allowed.ph)
    return sides.raw.ph, sides.treated.ph, _no_bound(high), _where(fell, high)


def unflushed(sides: Sides, limits: TreatmentLimits) -> Judgement:
    """Expect no pH below what a flushed filter gives."""
    return (
        sides.raw.ph,
        sides.treated.ph,
        np.full(len(sides.raw.ph), limits.unflushed_ph),
        _no_bound(sides.raw.ph),
    )


def chlorine(sides: Sides, limits: TreatmentLimits) -> Judgement:
    """Expect next to no free chlorine behind carbon."""
    raw, treated = sides.raw.chlorine, sides.treated.chlorine
    return raw, treated, _no_bound(raw), np.full(len(raw), limits.free_chlorine_mg_l)
