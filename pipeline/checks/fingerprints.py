"""What each kind of treatment does to each quantity, as rules a pair of samples can break."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ, MOLAR_MASS

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.checks.treatment import TreatmentLimits

Numbers = npt.NDArray[np.float64]
Judgement = tuple[Numbers, Numbers, Numbers, Numbers]  # before, after, low, high

SODIUM_PER_HARDNESS: Final = MOLAR_MASS["sodium"] / MG_CACO3_PER_MEQ  # 0.4594 mg Na per mg CaCO3 [IUPAC2021]
_ANY: Final[tuple[str, ...]] = ()
_LOWERING: Final = ("", "decarboniser", "softener", "reverse osmosis")


@dataclass(frozen=True)
class Side:
    """One quantity per field, one number per pair; NaN where not measured."""

    hardness: Numbers
    alkalinity: Numbers
    conductivity: Numbers
    ph: Numbers
    sodium: Numbers
    chloride: Numbers
    calcium: Numbers
    chlorine: Numbers


@dataclass(frozen=True)
class Sides:
    """The raw and the treated side of all pairs, the allowed difference (k = 2) and the bypass [%]."""

    raw: Side
    treated: Side
    allowed: Side
    bypass: Numbers


@dataclass(frozen=True)
class Rule:
    """One thing a treatment must do or must not do. ``kinds`` empty: whatever the treatment."""

    pattern: str
    kinds: tuple[str, ...]
    severity: str
    quantity: str
    alternative: str
    judge: Callable[[Sides, TreatmentLimits], Judgement]
    both: bool = False


def _open(values: Numbers) -> Numbers:
    return np.full(len(values), np.nan)


def _only(where: npt.NDArray[np.bool_], values: Numbers) -> Numbers:
    return np.where(where, values, np.nan)


def _swapped(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
    """Count the quantities that rose and fell beyond their uncertainty: all up and none down is a swap."""
    names = ("hardness", "alkalinity", "conductivity")
    change = [getattr(sides.treated, name) - getattr(sides.raw, name) for name in names]
    allowed = [getattr(sides.allowed, name) for name in names]
    rose = np.sum([step > limit for step, limit in zip(change, allowed, strict=True)], axis=0)
    fell = np.sum([step < -limit for step, limit in zip(change, allowed, strict=True)], axis=0)
    swap = (rose >= 2) & (fell == 0)  # noqa: PLR2004 -- two quantities must agree
    raw, treated = sides.raw.hardness, sides.treated.hardness
    return raw, treated, _open(raw), _only(swap, raw + sides.allowed.hardness)


def _unchanged(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
    """Raw equals treated in every shared quantity; at least two are needed."""
    names = ("hardness", "alkalinity", "conductivity")
    known = [~np.isnan(getattr(sides.raw, name) - getattr(sides.treated, name)) for name in names]
    equal = [getattr(sides.raw, name) == getattr(sides.treated, name) for name in names]
    same = np.all([~there | tie for there, tie in zip(known, equal, strict=True)], axis=0)
    same &= np.sum(known, axis=0) >= 2  # noqa: PLR2004 -- one tie is chance
    raw, treated = sides.raw.hardness, sides.treated.hardness
    lowest = np.where(np.isnan(treated), sides.raw.alkalinity, raw)
    after = np.where(np.isnan(treated), sides.treated.alkalinity, treated)
    return lowest, after, _open(raw), _only(same, lowest * 0.999)


def _bypass(sides: Sides, quantity: str) -> Judgement:
    raw, treated = getattr(sides.raw, quantity), getattr(sides.treated, quantity)
    mixed = raw * sides.bypass / 100
    return raw, treated, mixed - getattr(sides.allowed, quantity), _open(raw)


def _kept(quantity: str) -> Callable[[Sides, TreatmentLimits], Judgement]:
    """Make the rule that a treatment leaves a quantity as it is."""

    def judge(sides: Sides, limits: TreatmentLimits) -> Judgement:
        raw, treated = getattr(sides.raw, quantity), getattr(sides.treated, quantity)
        allowed = getattr(sides.allowed, quantity)
        if quantity == "conductivity":
            allowed = np.maximum(allowed, limits.conductivity_share * raw)
        return raw, treated, raw - allowed, raw + allowed

    return judge


def _not_more(quantity: str) -> Callable[[Sides, TreatmentLimits], Judgement]:
    def judge(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
        raw, treated = getattr(sides.raw, quantity), getattr(sides.treated, quantity)
        return raw, treated, _open(raw), raw + getattr(sides.allowed, quantity)

    return judge


def _not_less(quantity: str) -> Callable[[Sides, TreatmentLimits], Judgement]:
    def judge(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
        raw, treated = getattr(sides.raw, quantity), getattr(sides.treated, quantity)
        return raw, treated, raw - getattr(sides.allowed, quantity), _open(raw)

    return judge


def _equal_share(sides: Sides, limits: TreatmentLimits) -> Judgement:  # noqa: ARG001 -- one signature for all
    """Hardness falls by what alkalinity falls, or to nothing where alkalinity exceeds hardness."""
    removed = sides.raw.alkalinity - sides.treated.alkalinity
    expected = np.maximum(sides.raw.hardness - removed, 0)
    allowed = np.hypot(sides.allowed.hardness, sides.allowed.alkalinity)
    soda = sides.raw.alkalinity > sides.raw.hardness + sides.allowed.hardness
    low = expected - allowed
    return sides.raw.hardness, sides.treated.hardness, low, _only(~soda, expected + allowed)


def _sodium_gain(sides: Sides, limits: TreatmentLimits) -> Judgement:
    removed = sides.raw.hardness - sides.treated.hardness
    expected = sides.raw.sodium + SODIUM_PER_HARDNESS * removed
    allowed = np.hypot(sides.allowed.sodium, SODIUM_PER_HARDNESS * sides.allowed.hardness)
    allowed = np.maximum(allowed, limits.relative_uncertainty * expected)
    return sides.raw.sodium, sides.treated.sodium, expected - allowed, expected + allowed


def _membrane(sides: Sides, limits: TreatmentLimits) -> Judgement:
    """Hardness lost through a membrane takes conductivity with it."""
    share = sides.treated.hardness / np.where(sides.raw.hardness > 0, sides.raw.hardness, np.nan)
    worked = share < limits.membrane_share
    high = sides.raw.conductivity * (1 - limits.conductivity_share)
    return sides.raw.conductivity, sides.treated.conductivity, _open(share), _only(worked, high)


def _open_cup(sides: Sides, limits: TreatmentLimits) -> Judgement:
    fell = sides.treated.alkalinity < sides.raw.alkalinity
    high = sides.raw.ph + np.maximum(limits.open_cup_ph, sides.allowed.ph)
    return sides.raw.ph, sides.treated.ph, _open(high), _only(fell, high)


def _unflushed(sides: Sides, limits: TreatmentLimits) -> Judgement:
    return (
        sides.raw.ph,
        sides.treated.ph,
        np.full(len(sides.raw.ph), limits.unflushed_ph),
        _open(sides.raw.ph),
    )


def _chlorine(sides: Sides, limits: TreatmentLimits) -> Judgement:
    raw, treated = sides.raw.chlorine, sides.treated.chlorine
    return raw, treated, _open(raw), np.full(len(raw), limits.free_chlorine_mg_l)


def _all_kept(quantity: str, kinds: tuple[str, ...], reason: str) -> Rule:
    return Rule(
        f"{quantity} changed",
        kinds,
        "hold",
        quantity,
        f"{reason}: kind, label or instrument is wrong",
        _kept(quantity),
    )


# In order: what explains a pair best comes first.
RULES: Final[tuple[Rule, ...]] = (
    Rule(
        "labels of raw and treated may be swapped",
        _LOWERING,
        "hold",
        "hardness",
        "Taken the other way round the pair fits; ask which bottle is which, nothing was swapped",
        _swapped,
        both=True,
    ),
    Rule(
        "raw and treated are exactly equal",
        (*_LOWERING, "magnesium exchanger", "remineraliser"),
        "note",
        "hardness or alkalinity",
        "The bypass is open, the medium is exhausted, or one bottle was measured twice",
        _unchanged,
    ),
    Rule(
        "less than the bypass lets through",
        ("decarboniser",),
        "hold",
        "alkalinity",
        "The bypass was closed during the test or is not what is recorded; retest",
        lambda sides, limits: _bypass(sides, "alkalinity"),  # noqa: ARG005 -- one signature for all
    ),
    Rule(
        "less than the bypass lets through",
        ("softener",),
        "hold",
        "hardness",
        "The bypass was closed during the test or is not what is recorded; retest",
        lambda sides, limits: _bypass(sides, "hardness"),  # noqa: ARG005 -- one signature for all
    ),
    Rule(
        "hardness and alkalinity do not fall together",
        ("decarboniser",),
        "hold",
        "hardness",
        "A decarboniser takes as much of one as of the other: kind, label or count is wrong",
        _equal_share,
    ),
    _all_kept("sodium", ("decarboniser", "carbon", "magnesium exchanger"), "It does not touch sodium"),
    _all_kept(
        "chloride",
        ("decarboniser", "softener", "carbon", "magnesium exchanger"),
        "It does not touch chloride",
    ),
    _all_kept("alkalinity", ("softener", "carbon"), "It does not touch alkalinity"),
    _all_kept("hardness", ("carbon",), "It does not touch hardness"),
    _all_kept("conductivity", ("softener", "carbon"), "It keeps conductivity"),
    Rule(
        "sodium does not answer for the hardness removed",
        ("softener",),
        "hold",
        "sodium",
        "0.46 mg of sodium comes for every mg of hardness: kind or label is wrong",
        _sodium_gain,
    ),
    Rule(
        "hardness rose",
        ("softener", "decarboniser", "reverse osmosis"),
        "hold",
        "hardness",
        "This treatment cannot add hardness: label or reading is wrong",
        _not_more("hardness"),
    ),
    Rule(
        "hardness rose",
        ("magnesium exchanger",),
        "hold",
        "hardness",
        "An exchanger adds no hardness: label or reading is wrong",
        _not_more("hardness"),
    ),
    Rule(
        "conductivity did not fall with hardness",
        ("reverse osmosis",),
        "hold",
        "conductivity",
        "A membrane lowers both; this looks like a softener, or one reading is wrong",
        _membrane,
    ),
    Rule(
        "hardness fell",
        ("remineraliser",),
        "hold",
        "hardness",
        "A remineraliser adds hardness: the labels may be swapped",
        _not_less("hardness"),
        both=True,
    ),
    Rule(
        "alkalinity fell",
        ("remineraliser",),
        "hold",
        "alkalinity",
        "A remineraliser takes no alkalinity: the labels may be swapped",
        _not_less("alkalinity"),
        both=True,
    ),
    Rule(
        "calcium rose",
        ("magnesium exchanger",),
        "hold",
        "calcium",
        "It exchanges calcium for magnesium: label or reading is wrong",
        _not_more("calcium"),
    ),
    Rule(
        "pH is very low",
        ("", "decarboniser", "reverse osmosis"),
        "note",
        "pH",
        "A new filter or a first draw; flush and repeat",
        _unflushed,
    ),
    Rule(
        "pH rose though alkalinity fell",
        ("decarboniser", "reverse osmosis"),
        "note",
        "pH",
        "Carbon dioxide left an open cup; read pH at the outlet at once",
        _open_cup,
    ),
    Rule(
        "free chlorine behind carbon",
        ("carbon", "decarboniser", "reverse osmosis"),
        "note",
        "free chlorine",
        "The carbon is spent or bypassed: a fault of the treatment, not of the data; change it",
        _chlorine,
    ),
)
