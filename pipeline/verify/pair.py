"""Raw and treated water of one visit against what was promised: proved, partly, not proved, cannot tell."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.treat.advice import Range
from pipeline.treat.processes.trains import adds_minerals, has_membrane, in_tank
from pipeline.treat.processes.treatments import TREATMENTS, has_bypass, treat
from pipeline.verify.bypass import Bypass, solve_bypass
from pipeline.verify.causes import Readings, rank
from pipeline.verify.circumstantial import as_promised, with_chlorine
from pipeline.verify.intervals import Schedule, next_test
from pipeline.verify.outcomes import Cause, Compared, ProofOutcome, Verification, in_percent
from pipeline.verify.permeate import ALL_SALTS, rejection_read, rejection_said, rejection_settings, share_left
from pipeline.verify.promised import ALL, PROMISED, Promise, half_width, one_witness, promise, with_salts
from pipeline.words import Said
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping


_LETS_THROUGH: Final = ("exhausted media", "failed membrane", "moved valve")
_WHAT_SHOWS_IT: Final = {"resin bag": "verify.resin_bag", "magnesium exchanger": "verify.magnesium"}
_CHLORINE: Final = "free_chlorine_mg_l"
_ALKALINITY: Final = "alkalinity_mg_l_caco3"
_CONDUCTIVITY: Final = "conductivity_us_cm_25c"
_USUAL: Final = PROMISED[:3]  # what every visit should have
PAIR_ON_HOLD: Final = "verify.on_hold"  # of the sentence that a reading of the pair waits for an answer
_NOTHING_LEFT: Final = 1e-6  # what is left of a difference of two figures that are the same
_NOTHING: Final = 0.9  # share of raw water from which on a treatment does nothing worth the name [CP]


@dataclass(frozen=True)
class VerifyLimits:
    """What still counts as agreement; common practice of the trade [CP]."""

    relative: float = 0.15  # of hardness, alkalinity and ions [CP]
    conductivity: float = 0.10  # relative [CP]
    ph: float = 0.5  # [CP]
    free_chlorine_mg_l: float = 0.1  # behind carbon [CP]
    bypass: float = 0.05  # k = 2 of a scale on a valve, absolute [CP]
    unflushed_ph: float = 5.0  # of a filter not flushed yet [CP]
    open_cup_ph: float = 0.3  # rise over the raw water that shows lost carbon dioxide [CP]
    membrane_ratio: float = 0.10  # permeate to feed conductivity at which a membrane is looked at [CP]
    baseline_factor: float = 2.0  # times its own baseline [CP]


@dataclass(frozen=True)
class Circumstances:
    """What is known of the visit besides its readings.

    Attributes
    ----------
    permeate : water right behind the membrane, where it was read too.
    permeate_baseline : permeate to feed conductivity when the membrane was new [-].
    used : share of the computed life of the medium that is used [-]; NaN where not known.
    on_hold : a reading of the pair waits for an answer: nothing is proved by it.
    before_blending : the treated water was drawn behind the membrane, before raw water is blended back in.
    schedule : what decides when to test next.
    brief : only the outcome and the next test are wanted, causes where the next test hangs on them.
    promised : what the treatment makes of the raw water, where it was predicted beforehand, for many at once.
    """

    permeate: pd.Series | None = None
    permeate_baseline: float = float("nan")
    used: float = float("nan")
    on_hold: bool = False
    before_blending: bool = False
    schedule: Schedule = field(default_factory=lambda: Schedule(None))
    brief: bool = False
    promised: Promise | None = None


def verify(
    before: pd.Series | pd.DataFrame,
    after: pd.Series | pd.DataFrame,
    treatment: str,
    settings: Mapping[str, float] | None = None,
    uncertainty: tuple[pd.Series, pd.Series] | None = None,
    *,
    visit: Circumstances | None = None,
    other: pd.Series | None = None,
    limits: VerifyLimits | None = None,
) -> Verification:
    """Hold a treated water against what its treatment promises of the raw water.

    A treatment changes some quantities together and leaves the others alone. One number that came out
    right proves little; the whole pattern, at the setting that was written down, proves the work.

    Parameters
    ----------
    before, after : raw and treated water of one visit in canonical columns, as a series or a frame of one row.
    treatment : name of the register.
    settings : what is set, by the names of the treatment; a `bypass` that is not given counts as not recorded
        and is solved from the readings.
    uncertainty : k = 2 of ``before`` and of ``after``, same names; the usual 10 % (pH 0.2) where missing.
    visit : what else is known.
    other : the second water of a blend.
    limits : what counts as agreement.

    Returns
    -------
    Verification. `proved`: everything judged agrees at the recorded setting, or at one where none was recorded, and
    the change is larger than its uncertainty. `partly`: the pattern fits at another setting, or most of it agrees.
    `not proved`: it does not. `cannot tell`: nothing the treatment changes was read on both sides, the change
    expected is smaller than its uncertainty, or a reading is on hold.

    Raises
    ------
    KettlestoneError : an unknown treatment or setting.

    Notes
    -----
    Allowed: the larger of √(U_predicted² + U_after²), k = 2 [JCGM100], and the trade's tolerance of 15 %
    (conductivity 10 %, pH 0.5) [CP].
    """
    bounds, known = limits or VerifyLimits(), visit or Circumstances()
    bounds = replace(bounds, bypass=0.0) if known.before_blending else bounds
    raw, product = _one(before), _one(after)
    of_raw, of_product = uncertainty or (pd.Series(dtype="float64"), pd.Series(dtype="float64"))
    own = dict(settings or {})
    recorded = own.pop("bypass", float("nan"))
    recorded = 0.0 if known.before_blending else recorded
    membrane = has_membrane(treatment)
    ratio = share_left(raw, known.permeate)
    failing = _membrane(ratio, known, bounds)
    if membrane and failing is False and not known.before_blending:
        own = {**rejection_settings(raw, known.permeate), **own}
    raw, product = one_witness(raw, product)
    if adds_minerals(treatment) and "added_mg_l_caco3" not in own:
        recorded = 0.0 if np.isnan(recorded) and has_membrane(treatment) else recorded
        own |= _minerals_added(raw, product, treatment, {**own, "bypass": recorded})
    if in_tank(treatment) and "removal" not in own:
        own |= _taken(raw, product, treatment, own)
    promised = known.promised or promise(raw, of_raw, treatment, own, other)
    promised = with_salts(promised, product) if adds_minerals(treatment) else promised
    readings = Readings(raw, product, half_width(raw, of_raw), half_width(product, of_product))
    believed = readings.believable()
    found = solve_bypass(promised, believed)
    at = recorded if np.isfinite(recorded) else found.best.value if has_bypass(treatment) else 0.0
    compared = _compared(promised, readings, at if np.isfinite(at) else 0.0, bounds, recorded)
    compared = tuple(_of_permeate(one, bounds) for one in compared) if known.before_blending and membrane else compared
    at_best = _compared(promised, readings, found.best.value, bounds, float("nan")) if found.known else compared
    # Where no bypass was recorded, what the treatment could do at most decides whether it can be seen at all.
    open_bypass = has_bypass(treatment) and np.isnan(recorded)
    possible = _compared(promised, readings, 0.0, bounds, recorded) if open_bypass else compared
    seen = not known.on_hold and _can_be_seen(possible)
    outcome = _outcome(compared, at_best, found, recorded, treatment) if seen else "cannot tell"
    outcome = "partly" if outcome == "proved" and failing else outcome
    weighed = believed if not known.before_blending else as_promised(believed, compared)
    told = not known.brief or outcome == "partly"  # of these only the causes say whether something is at fault
    causes = rank(promised, weighed, treatment, own, (recorded, bounds.bypass), known.used, failing) if told else ()
    causes = with_chlorine(causes, compared, treatment)
    widths = (half_width(raw, of_raw), half_width(_of(known.permeate), pd.Series(dtype="float64")))
    # Before raw water is blended in there is no bypass, and of minerals put back it cannot be told.
    alone = known.before_blending or adds_minerals(treatment)
    rejection = rejection_read(raw, known.permeate, widths) if membrane else None
    return Verification(
        outcome=outcome,
        treatment=treatment,
        compared=compared,
        predicted={one.column: one.predicted for one in compared if np.isfinite(one.predicted.value)},
        measured={one.column: one.after for one in compared if np.isfinite(one.after.value)},
        bypass=found.best,
        bypass_by=found.by,
        bypass_agrees=found.agrees,
        rejection=rejection,
        findings=_findings(outcome, compared, None if alone else found, recorded, treatment, causes)
        + _alongside(readings, compared, bounds)
        + (() if rejection is None else rejection_said(raw, known.permeate, rejection))
        + _behind_membrane(ratio, known, failing=bool(membrane and failing))
        + ((Said(_WHAT_SHOWS_IT[treatment]),) if treatment in _WHAT_SHOWS_IT and outcome != "proved" else ()),
        causes=causes,
        next_test=next_test(treatment, known.schedule, fault=known.on_hold or _at_fault(outcome, causes)),
    )


def _at_fault(outcome: ProofOutcome, causes: tuple[Cause, ...]) -> bool:
    """Say whether something has to be put right: not where it most likely does what it was set to."""
    return outcome == "not proved" or (outcome == "partly" and not (causes and causes[0].name == "as set"))


def _one(water: pd.Series | pd.DataFrame) -> pd.Series:
    if isinstance(water, pd.DataFrame):
        if len(water) != 1:
            raise ValueError(f"one water at a time, not {len(water)}")
        water = water.iloc[0]
    numbers: pd.Series = water[[name for name in WIDE_COLUMNS if name in water.index]].astype("float64")
    return numbers


def _minerals_added(
    raw: pd.Series, product: pd.Series, treatment: str, settings: Mapping[str, float]
) -> dict[str, float]:
    """Solve what a mineral cartridge adds from the alkalinity where it is more than usual: nobody can set it.

    Hardness and conductivity then have to follow it; less than usual means that it is used up.
    """
    known = {name: value for name, value in settings.items() if np.isfinite(value)}
    bare = treat(raw.to_frame().T.astype("float64"), treatment, {**known, "added_mg_l_caco3": 0.0})
    added = float(product.get(_ALKALINITY, np.nan)) - float(bare[_ALKALINITY].iloc[0])
    return _at_least_usual(treatment, "added_mg_l_caco3", added)


def _taken(raw: pd.Series, product: pd.Series, treatment: str, settings: Mapping[str, float]) -> dict[str, float]:
    """Solve from the alkalinity what a little resin takes where it is more than usual: fresh, it takes nearly all.

    Hardness and conductivity then have to follow it; less than usual means that it is used up.
    """
    bare = treat(raw.to_frame().T.astype("float64"), treatment, {**settings, "removal": 1.0})
    before, least = float(raw.get(_ALKALINITY, np.nan)), float(bare[_ALKALINITY].iloc[0])
    taken = (before - float(product.get(_ALKALINITY, np.nan))) / (before - least) if before > least else np.nan
    return _at_least_usual(treatment, "removal", taken)


def _at_least_usual(treatment: str, name: str, solved: float) -> dict[str, float]:
    """Give a setting as it was solved, not below its usual figure nor above what is possible."""
    own = next(one for one in TREATMENTS[treatment].settings if one.name == name)
    return {} if np.isnan(solved) else {name: float(np.clip(solved, own.default, own.high))}


def _of(water: pd.Series | None) -> pd.Series:
    return pd.Series(dtype="float64") if water is None else water


def _compared(
    promised: Promise, readings: Readings, share: float, bounds: VerifyLimits, recorded: float
) -> tuple[Compared, ...]:
    """Lay prediction and measurement of every quantity side by side."""
    value, spread = (table[0] for table in promised.at(share))
    fresh = promised.value[0]
    raw = readings.before.reindex(list(ALL)).to_numpy(dtype="float64")
    after = readings.after.reindex(list(ALL)).to_numpy(dtype="float64")
    after_u = readings.after_u.to_numpy(dtype="float64")
    # A valve's scale is read to a few hundredths: so much more or less raw water may be in the product.
    valve = np.abs(fresh - raw) * (bounds.bypass if np.isfinite(recorded) and promised.shared else 0.0)
    spread = np.hypot(spread, np.nan_to_num(valve))
    usual = bounds.relative * np.abs(value)
    for name in ALL_SALTS:
        usual[ALL.index(name)] = bounds.conductivity * abs(value[ALL.index(name)])
    usual[ALL.index("ph")] = bounds.ph
    usual[ALL.index(_CHLORINE)] = bounds.free_chlorine_mg_l
    allowed = np.fmax(np.hypot(spread, after_u), usual)
    moves = np.abs(fresh - raw) > np.maximum(bounds.relative * np.abs(raw), 1e-9)
    return tuple(
        Compared(
            column=name,
            before=float(raw[i]),
            after=_range(after[i], after_u[i], name),
            predicted=_range(value[i], spread[i], name),
            allowed=float(allowed[i]),
            role="moves" if moves[i] else "keeps",
            verdict=_verdict(float(after[i]), float(value[i]), float(allowed[i]), float(raw[i]), name),
        )
        for i, name in enumerate(ALL)
        if np.isfinite(raw[i]) or np.isfinite(after[i])
    )


def _of_permeate(one: Compared, bounds: VerifyLimits) -> Compared:
    """Let a permeate hold anything up to the share of its feed at which a membrane is looked at [CP].

    Membranes hold back 90 to 98 %: one that does better than the planned figure is no fault. Nor is a last drop that
    may stand for anything less than it.
    """
    if one.verdict not in ("agrees", "differs") or one.column not in PROMISED:
        return one
    most = max(one.predicted.value + one.allowed, bounds.membrane_ratio * one.before)
    return replace(one, allowed=most - one.predicted.value, verdict="agrees" if one.after.low <= most else "differs")


def _verdict(after: float, predicted: float, allowed: float, raw: float, name: str) -> str:
    if np.isnan(after) or np.isnan(raw):
        return "not measured"
    if np.isnan(predicted):
        return "not predicted"
    # The predicted pH still holds all its carbon dioxide: anything between it and the raw water is right.
    high = max(predicted, raw) if name == "ph" else predicted
    return "agrees" if predicted - allowed <= after <= high + allowed else "differs"


def _range(value: float, expanded: float, name: str) -> Range:
    unit = {"ph": "pH", _CONDUCTIVITY: "µS/cm"}.get(name, "mg/L")
    return Range(float(value), float(max(value - expanded, 0.0)), float(value + expanded), unit)


def _judged(compared: tuple[Compared, ...]) -> list[Compared]:
    proving = (*PROMISED, _CHLORINE)
    return [one for one in compared if one.column in proving and one.verdict in ("agrees", "differs")]


def _can_be_seen(possible: tuple[Compared, ...]) -> bool:
    """Tell whether any quantity the treatment moves was judged and moves by more than its uncertainty."""
    moving = [one for one in _judged(possible) if one.role == "moves"]
    return any(abs(one.predicted.value - one.before) > one.allowed for one in moving)


def _outcome(
    compared: tuple[Compared, ...], at_best: tuple[Compared, ...], found: Bypass, recorded: float, treatment: str
) -> ProofOutcome:
    judged = _judged(compared)
    agree = [one for one in judged if one.verdict == "agrees"]
    if len(agree) == len(judged) and (np.isfinite(recorded) or not has_bypass(treatment)):
        return "proved"
    if found.known and not (found.best.low < _NOTHING and found.best.value < _NOTHING):
        return "not proved"
    fits = found.known and all(one.verdict == "agrees" for one in _judged(at_best))
    if fits and np.isnan(recorded):
        return "proved"  # at the setting that the readings tell themselves: nothing disagrees with it
    mostly = 2 * len(agree) > len(judged) and any(one.role == "moves" for one in agree)
    return "partly" if fits or mostly else "not proved"


def _membrane(ratio: float, known: Circumstances, bounds: VerifyLimits) -> bool | None:
    """Say whether the membrane itself was found failing; None where its own water was not read."""
    if np.isnan(ratio):
        return None
    return ratio > bounds.membrane_ratio or ratio > bounds.baseline_factor * known.permeate_baseline


def _findings(
    outcome: ProofOutcome,
    compared: tuple[Compared, ...],
    found: Bypass | None,
    recorded: float,
    treatment: str,
    causes: tuple[Cause, ...],
) -> tuple[Said, ...]:
    undisputed = found is not None and found.agrees is not False and has_bypass(treatment)
    unrecorded = outcome == "proved" and np.isnan(recorded) and undisputed
    more = found is None or found.best.value > recorded
    worn = outcome == "partly" and more and bool(causes) and causes[0].name in _LETS_THROUGH
    special = "unrecorded" if unrecorded else "lets_through" if worn else outcome.replace(" ", "_")
    code = f"verify.outcome.{special}"
    said = [Said(code, {"treatment": TREATMENTS[treatment].title})]
    if outcome != "proved" and causes and causes[0].name != "as set":
        said.append(
            Said("verify.history.most_likely", {"cause": causes[0].said, "percent": in_percent(causes[0].probability)})
        )
    said += [_apart(one) for one in _judged(compared) if one.verdict == "differs"]
    return (*said, *_let_through(found, recorded, treatment))


def _let_through(found: Bypass | None, recorded: float, treatment: str) -> tuple[Said, ...]:
    """Say which share of raw water the readings speak of, beside the one that was recorded."""
    if found is None:
        return ()
    if found.agrees is False:
        return (Said("verify.bypass.disagree"),)
    if not (found.known and has_bypass(treatment)):
        return ()
    values = {"percent": 100 * found.best.value, "low": 100 * found.best.low, "high": 100 * found.best.high}
    against = Said("verify.bypass.against", {**values, "recorded": 100 * recorded})
    return (Said("verify.bypass.solved", values) if np.isnan(recorded) else against,)


def _apart(one: Compared) -> Said:
    values = {
        "name": Said(f"verify.name.{one.column}"),
        "after": _three(one.after.value),
        "unit": one.after.unit,
        "low": _three(max(one.predicted.value - one.allowed, 0.0)),
        "high": _three(one.predicted.value + one.allowed),
    }
    return Said("verify.differs", values)


def _three(value: float) -> float:
    """Keep three digits; no field test has more."""
    return float(f"{value:.3g}") if abs(value) > _NOTHING_LEFT else 0.0


def _alongside(readings: Readings, compared: tuple[Compared, ...], bounds: VerifyLimits) -> tuple[Said, ...]:
    """Read pH and what was not read at all."""
    before, after = (float(side.get("ph", np.nan)) for side in (readings.before, readings.after))
    said = []
    if after < bounds.unflushed_ph:
        said.append(Said("verify.ph.unflushed", {"ph": after}))
    name = "alkalinity_mg_l_caco3"
    fell = float(readings.after.get(name, np.nan)) < float(readings.before.get(name, np.nan))
    if fell and after > before + bounds.open_cup_ph:
        said.append(Said("verify.ph.open_cup", {"before": before, "after": after}))
    believed = readings.believable()
    if not (believed.before.equals(readings.before) and believed.after.equals(readings.after)):
        said.append(Said("verify.conductivity_unit"))
    lacking = [one.column for one in compared if one.verdict == "not measured" and one.column in _USUAL]
    said += [Said("verify.not_measured", {"name": Said(f"verify.name.{column}")}) for column in lacking]
    return tuple(said)


def _behind_membrane(ratio: float, known: Circumstances, *, failing: bool) -> tuple[Said, ...]:
    said = [Said(PAIR_ON_HOLD)] if known.on_hold else []
    return (*said, Said("verify.membrane", {"percent": 100 * ratio})) if failing else tuple(said)
