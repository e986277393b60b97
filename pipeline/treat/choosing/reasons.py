"""Why the advice is what it is, what to mind, and what to measure again: sentences with their numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.assess.corrosion import CorrosionLimits
from pipeline.checks.hardness import SODIUM_PER_CACO3
from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ, MOLAR_MASS
from pipeline.treat.choosing.bottled import DEMINERALISED, rank_bottled
from pipeline.treat.choosing.case import ALKALINITY, CONDUCTIVITY, HARDNESS
from pipeline.treat.choosing.decision import EXCESS, READ, decision_rows, derived, quantity_reaches
from pipeline.treat.choosing.limits import CHLORIDE, MEMBRANES, spread
from pipeline.treat.choosing.optimise import SET_TO, VALVE_STEP, quantity, targets
from pipeline.treat.choosing.turns import PRINTED_UNITS, answer_named, rounded
from pipeline.treat.processes.decarbonising import LEAST_INLET_PH, WEAK_ACID
from pipeline.treat.processes.remineralising import grams
from pipeline.treat.processes.trains import main_stage, stages_of
from pipeline.treat.processes.treatments import TREATMENTS, treat
from pipeline.words import Said, question_of_check
from schemas.columns import OPEN, WIDE_COLUMNS

if TYPE_CHECKING:
    from pipeline.treat.advice import Option
    from pipeline.treat.choosing.case import Case
    from pipeline.treat.choosing.decision import Decided, DecisionRow
    from pipeline.treat.choosing.fitting import Device

_CHALK: Final = ("remineraliser", "calcite contact")
_CANISTER_L: Final = 10.0
_AS_IT_COMES: Final = ("tank cartridge", "resin bag")
_LEAST_BAR: Final = 2.5  # a membrane without a pump [CP]
_ACID_PH: Final = CorrosionLimits().low_ph[0]
_CHLORINE_MG_L, _CHLORAMINE_MG_L = 0.05, 0.1  # [CP]
_ATTENTION_CHLORIDE: Final = CorrosionLimits().chloride_mg_l[0]
_HIGH_EXCHANGE: Final = 0.9  # hardness per alkalinity a weak-acid resin needs to do its work [CP]
_USUAL_US_PER_MEQ: Final = 93.0  # of waters whose anion is bicarbonate, 93 to 100 [CP]
_PURE: Final = ("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate", "nitrate", "silica")

__all__ = [
    "answer_named", "can_be_remineralised", "chlorinated", "demineralised", "device", "health", "how_it_is_set",
    "inlet_ph",    "measure", "notes", "over", "provisional", "reason_figures", "repeats", "unsoftened",
]  # fmt: skip


def reason_figures(decided: Decided) -> dict[str, object]:
    """Give the figures a reason may name, each rounded to what the sentence needs."""
    return {name: rounded(value) if math.isfinite(value) else value for name, value in decided.facts.items()}


def over(row: DecisionRow, decided: Decided) -> tuple[Said, ...]:
    """Name every limit of a row of alternatives that is passed, with its figure."""
    if len(row.groups) == 1:
        return ()
    facts = pd.DataFrame([dict(decided.facts)])
    passed = [clause for group in row.groups for clause in group if len(group) == 1 and clause.holds(facts)[0]]
    return tuple(
        _passed(clause.quantity, decided.facts[clause.quantity], clause.limit_in(facts))
        for clause in passed
        if clause.quantity in READ
    )


def _passed(name: str, value: float, limit: float) -> Said:
    unit = PRINTED_UNITS.get(name, " mg/L")
    return Said(
        "choose.over",
        {"quantity": Said(f"choose.quantity.{name}"), "value": float(f"{value:.3g}"), "limit": limit, "unit": unit},
    )


def health(case: Case) -> tuple[Said, ...]:
    """Name every health limit the water passes, whatever else is known of it."""
    row = next(row for row in decision_rows() if row.key == "1")
    read = {name: own.value for name, own in quantity_reaches(case).items()}
    facts = derived(pd.DataFrame([read]), case, 0.0)
    found = []
    for clause in (clause for group in row.groups for clause in group):
        if clause.holds(facts)[0]:
            known = clause.quantity in READ
            found.append(
                _passed(clause.quantity, read[clause.quantity], clause.limit_in(facts))
                if known
                else Said(f"choose.health.{clause.quantity}")
            )
    return tuple(found)


def repeats(case: Case) -> tuple[Said, ...]:
    """Say what to ask or repeat: the question of each open finding, else the quantities themselves."""
    held = case.held()
    if not held:
        return ()
    open_rows = case.findings[case.findings["severity"].isin(OPEN)]
    checks = dict.fromkeys(str(name) for name in open_rows.get("check_id", pd.Series(dtype="str")))
    asked = tuple(map(question_of_check, checks))
    return asked or tuple(measure(name) for name in sorted(held))


def measure(name: str, *, first: bool = False) -> Said:
    """Ask for a quantity to be measured again, or for the ``first`` time, by its code or its column."""
    code = name.removesuffix("_mg_l_caco3").removesuffix("_mg_l")
    known = {"total_hardness": "hardness"}.get(code, code)
    return Said("choose.measure_first" if first else "choose.measure", {"quantity": Said(f"choose.quantity.{known}")})


def provisional(code: str, chosen: Option) -> Said:
    """Name the answer there would be, with the share it would be set to where it has a valve."""
    values: dict[str, object] = {"answer": answer_named(chosen.treatment)}
    if "bypass" not in chosen.settings:
        return Said(code, values)
    # What is on hold may change the window; the trade's own setting does not hang on it.
    share = next((one.usual for one in chosen.window), float(chosen.settings["bypass"]))
    return Said(f"{code}_set", {**values, "percent": 100.0 * share})


def device(case: Case, fitted: Device, chosen: Option) -> tuple[Said, ...]:
    """Say why this device, and that another one stands in where the first cannot reach the targets."""
    said = (Said(fitted.reason),) if fitted.reason else ()
    if chosen.treatment in (fitted.treatment, "carbon"):
        return said
    bottles = (
        chosen.treatment == "blend" and chosen.settings.get("with") != DEMINERALISED and case.connection == "bottle"
    )
    instead_of_it = Said("choose.answer.blend_bottles") if bottles else answer_named(chosen.treatment)
    values = {"first": answer_named(fitted.treatment), "instead": instead_of_it}
    instead = (*said, Said("choose.instead", values))
    return (*instead, *_of_chalk(case)) if fitted.treatment in _CHALK else instead


def _of_chalk(case: Case) -> tuple[Said, ...]:
    """Say how far chalk alone would go: until the carbon dioxide of the water is used up."""
    if not case.known["ph"].known:
        return ()
    bed = treat(spread(case).head(1), "calcite contact")
    most = -float(bed["alkalinity_removed_mg_l_caco3"].iloc[0])
    return (Said("choose.note.chalk", {"amount": rounded(most)}),) if most > 0.0 else ()


def how_it_is_set(case: Case, chosen: Option) -> tuple[Said, ...]:
    """Say how it is set, and what a valve in steps gives."""
    found = [Said(*entry) for entry in _setting(case, chosen)]
    if chosen.window:
        found.append(chosen.window[0].ends[-1])
    return (*found, *chosen.obstacles)


def _setting(case: Case, chosen: Option) -> list[tuple[str, dict[str, object]]]:
    if ALKALINITY not in chosen.predicted:
        return []
    after: dict[str, object] = {
        "hardness": rounded(chosen.predicted[HARDNESS].value) if HARDNESS in chosen.predicted else math.nan,
        "alkalinity": rounded(chosen.predicted[ALKALINITY].value),
    }
    if "bypass" in chosen.settings:
        return _valve(case, chosen, after)
    if chosen.treatment == "salt dosing":
        return _salts(chosen)
    if "share" in chosen.settings:
        return [_mixture(case, chosen, after)]
    amounts = {
        "water_passes": ("choose.set.passes", 100.0),
        "added_mg_l_caco3": ("choose.set.mineral", 1.0),
    }
    said = [
        (code, {"amount": factor * float(chosen.settings[name]), **after})
        for name, (code, factor) in amounts.items()
        if name in chosen.settings
    ]
    return [*said, ("choose.set.device", after)] if chosen.treatment in _AS_IT_COMES else said


def _valve(case: Case, chosen: Option, after: dict[str, object]) -> list[tuple[str, dict[str, object]]]:
    share = float(chosen.settings["bypass"])
    set_to: dict[str, object] = {"percent": 100.0 * share, **after}
    rest = [*_mark(case, chosen, share), *_usual(case, chosen, share)]
    if chosen.treatment == "reverse osmosis":
        return [("choose.set.membrane", set_to | {"rejection": 100.0 * _rejection()}), *rest]
    return [("choose.set.bypass", set_to), *rest]


def _mark(case: Case, chosen: Option, share: float) -> list[tuple[str, dict[str, object]]]:
    """Name the mark of a valve to take; where none is right with every reading, say between which two to set it."""
    marked = round(share / VALVE_STEP) * VALVE_STEP
    if abs(marked - share) <= SET_TO:
        return []
    sure = [(one.sure_low - SET_TO, one.sure_high + SET_TO) for one in chosen.window if not math.isnan(one.sure_low)]
    steps = np.arange(0.0, 1.0 + SET_TO, VALVE_STEP)
    inside = [float(mark) for low, high in sure for mark in steps if low <= mark <= high]
    if sure and not inside:
        low = 100.0 * VALVE_STEP * math.floor(share / VALVE_STEP)
        return [("choose.set.valve_between", {"low": low, "high": low + 100.0 * VALVE_STEP})]
    best = min(inside, key=lambda mark: abs(mark - share)) if inside else marked
    there = _alkalinity_at(case, chosen, share, best)
    return [("choose.set.valve", {"percent": 100.0 * best, "alkalinity": there})]


def _usual(case: Case, chosen: Option, share: float) -> list[tuple[str, dict[str, object]]]:
    """Say where the trade would set it, and why it is not set there."""
    usual = next((one.usual for one in chosen.window), math.nan)
    if math.isnan(usual) or abs(usual - share) <= SET_TO:
        return []
    there = _alkalinity_at(case, chosen, share, usual)
    return [("choose.set.usual", {"percent": 100.0 * usual, "alkalinity": there})]


def _salts(chosen: Option) -> list[tuple[str, dict[str, object]]]:
    weighed = grams({name: float(dose) for name, dose in chosen.settings.items()}, _CANISTER_L)
    return [
        ("choose.set.salt", {"salt": Said(f"choose.salt.{salt}"), "grams": round(mass, 2), "litres": _CANISTER_L})
        for salt, mass in weighed.items()
    ]


def _mixture(case: Case, chosen: Option, after: dict[str, object]) -> tuple[str, dict[str, object]]:
    """Say how to mix ten litres; all of one water and none of the other is no mixture."""
    litres = round(_CANISTER_L * float(chosen.settings["share"]), 1)
    name = str(chosen.settings["with"])
    other: object = Said("bottled.demineralised") if name == "demineralised" else name
    base: object = case.base or Said("bottled.tap")
    values = {"litres": litres, "rest": round(_CANISTER_L - litres, 1), "other": other, "base": base, **after}
    if litres in (0.0, _CANISTER_L):
        return "choose.set.alone", values | {"only": other if litres else base}
    return "choose.set.share", values


def _rejection() -> float:
    """Share of all salts a membrane is taken to hold back."""
    return next(own.default for own in TREATMENTS["reverse osmosis"].settings if own.name == "rejection")


def _alkalinity_at(case: Case, chosen: Option, share: float, marked: float) -> float:
    """Alkalinity at a valve's mark [mg/L]: a straight line from the raw water through the setting."""
    raw, here = case.known[ALKALINITY].value, chosen.predicted[ALKALINITY].value
    behind = (here - share * raw) / (1.0 - share) if share < 1.0 else raw
    return rounded(marked * raw + (1.0 - marked) * behind)


def can_be_remineralised(chosen: Option) -> bool:
    """Tell whether all that is wrong behind a membrane is too little, which salts or a mineral cartridge mend."""
    low = all(said.code == "choose.obstacle.low" for said in chosen.obstacles)
    return chosen.treatment in (*MEMBRANES, "blend") and low


def unsoftened(case: Case) -> Said:
    """Say what the unsoftened tap has to show: its alkalinity is known, its hardness is not."""
    alkalinity = case.known[ALKALINITY].value
    target = targets(case, "unsoftened tap")[0]
    band = case.profile.band("alkalinity")
    if band is not None and alkalinity <= band.high:
        return Said("choose.if.unsoftened_mild", {"alkalinity": rounded(alkalinity)})
    percent = 100.0 * target / alkalinity
    values = {"alkalinity": rounded(alkalinity), "hardness": rounded(_HIGH_EXCHANGE * alkalinity), "percent": percent}
    return Said("choose.if.unsoftened", {**values, "target": rounded(target)})


def notes(case: Case, chosen: Option, decided: Decided) -> tuple[Said, ...]:
    """Say what to mind about this water and this device besides the setting."""
    return (
        *([] if case.stage in ("raw", "bottled") else [Said("choose.note.stage")]),
        *_of_sodium(case, decided),
        *_of_device(case, chosen),
        *_of_carbon(case),
        *_of_metal(case, chosen),
        *_of_fitted(case, chosen),
        *_of_bottles(case, chosen),
    )


def _of_bottles(case: Case, chosen: Option) -> list[Said]:
    """Say which bottled water or blend suits, where the machine is filled by hand and the advice is no blend itself."""
    if case.bottled is None or not case.reservoir or chosen.treatment == "blend":
        return []
    return [rank_bottled(case.bottled, case)[1]]


def _of_sodium(case: Case, decided: Decided) -> list[Said]:
    """Estimate the sodium of a softened or soda water nobody measured, from the charge it has to carry."""
    known = {name: case.known[READ[name]] for name in ("hardness", "alkalinity", "sodium", "conductivity")}
    if known["sodium"].known or decided.facts["alkalinity_excess"] <= EXCESS:
        return []
    low = (known["alkalinity"].value - known["hardness"].high) * SODIUM_PER_CACO3
    cations = known["conductivity"].value / _USUAL_US_PER_MEQ - known["hardness"].value / MG_CACO3_PER_MEQ
    high = cations * MOLAR_MASS["sodium"]
    if low <= 0.0 or "conductivity" in case.held():
        return []
    values = {"low": rounded(low), "high": rounded(high)} if high > low else {"low": rounded(low)}
    return [Said("choose.note.sodium" if high > low else "choose.note.sodium_least", values)]


def _of_device(case: Case, chosen: Option) -> list[Said]:
    found = []
    if chosen.treatment == "unsoftened tap":
        found.append(Said("choose.note.no_tap_by_hand" if case.reservoir else "choose.note.no_tap"))
    if chosen.treatment == "reverse osmosis":
        found += [Said("choose.note.drain")] if case.drain is None else []
        found += [Said("choose.note.pump")] if case.pressure_bar < _LEAST_BAR else []
    if chosen.treatment == "salt dosing" and not case.reservoir:
        found.append(Said("choose.note.dosing_plumbed"))
    if chosen.treatment in ("none", "carbon") and _scales(chosen):
        found.append(Said("choose.note.descale"))
    if can_be_remineralised(chosen) and chosen.obstacles:
        found.append(Said("choose.note.remineralise"))
    return [*found, *inlet_ph(chosen)]


def inlet_ph(chosen: Option) -> tuple[Said, ...]:
    """Say what to do about the carbon dioxide that weak-acid resin sets free, or a membrane lets through."""
    ph = chosen.predicted.get("ph")
    if ph is None:
        return ()
    known = ph.low if math.isnan(ph.value) else ph.value
    values = {"ph": round(known, 1), "least": LEAST_INLET_PH}
    if main_stage(chosen.treatment) in WEAK_ACID:
        return (Said("choose.note.inlet_ph", values),)
    sour = round(known, 1) < CorrosionLimits().low_ph[0]
    return (Said("choose.note.inlet_ph_membrane", values),) if sour and chosen.treatment in MEMBRANES else ()


def _scales(chosen: Option) -> bool:
    return any(quantity("scale") in said.values.values() for said in chosen.obstacles)  # noqa: PD011 - a mapping


def chlorinated(case: Case) -> bool:
    """Tell whether the water carries chlorine that spoils the cup."""
    return any(said.code == "choose.note.chlorine" for said in _of_chlorine(case))


def _of_chlorine(case: Case) -> list[Said]:
    known = case.known
    free, total = known["free_chlorine_mg_l"].value, known["total_chlorine_mg_l"].value
    if math.isnan(free) and math.isnan(total):
        return [Said("choose.note.chlorine_unknown")] if case.supply_kind in ("", "mains", "softened") else []
    highest = max(value for value in (free, total) if not math.isnan(value))
    found = [Said("choose.note.chlorine", {"value": highest})] if highest > _CHLORINE_MG_L else []
    return [*found, Said("choose.note.chloramine")] if total - free > _CHLORAMINE_MG_L else found


def _of_carbon(case: Case) -> list[Said]:
    """Say what chlorine asks for: carbon that is fitted stays before whatever else is advised."""
    found = _of_chlorine(case)
    if "carbon" not in stages_of(case.treatment):
        return found
    return [Said("choose.note.chlorine_fitted", said.values) for said in found if said.code == "choose.note.chlorine"]


def _of_metal(case: Case, chosen: Option) -> list[Said]:
    found = []
    chloride = chosen.predicted.get(CHLORIDE)
    if chloride is not None and rounded(chloride.value) > _ATTENTION_CHLORIDE and case.hot:
        boiler = rounded(chloride.value * case.machine.concentration)
        code = "choose.note.chloride_steam" if case.machine.concentration > 1.0 else "choose.note.chloride"
        values = {"value": rounded(chloride.value), "boiler": boiler, "days": case.machine.drain_days}
        found.append(Said(code, values))
    ph = case.known["ph"].value
    if ph < _ACID_PH and {"copper", "brass"} & set(case.machine.metals):
        found.append(Said("choose.note.copper", {"ph": round(ph, 1)}))
    return found


def _of_fitted(case: Case, chosen: Option) -> list[Said]:
    fitted = " ".join(case.treatment.casefold().split())
    if fitted in ("", "none"):
        return []
    if chosen.treatment in (fitted, main_stage(fitted)):
        return [Said("choose.note.fitted_same")]
    name: object = answer_named(fitted) if fitted in TREATMENTS else case.treatment
    able = main_stage(fitted) == "reverse osmosis" and chosen.treatment in WEAK_ACID
    code = "needless" if chosen.treatment == "none" else "can" if able else "other"
    return [Said(f"choose.note.fitted_{code}", {"fitted": name})]


def demineralised() -> pd.Series[float]:
    """Give demineralised water that has met the air, as the second water of a blend."""
    pure = {f"{ion}_mg_l": 0.0 for ion in _PURE}
    values = pure | {HARDNESS: 0.0, ALKALINITY: 0.0, "ph": 5.7, CONDUCTIVITY: 1.0, "temperature_c": 20.0}
    return pd.Series(values, dtype="float64").reindex(WIDE_COLUMNS)
