"""How a treatment is to be set for one water in one machine, or what stands in the way."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.checks.treatment_names import JOINT
from pipeline.chemistry.equivalents import column
from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.treat.advice import Option, Range, Window
from pipeline.treat.choosing import limits as held
from pipeline.treat.choosing.case import ALKALINITY, CALCIUM_HARDNESS, CONDUCTIVITY, HARDNESS
from pipeline.treat.choosing.recipe import recipe_for
from pipeline.treat.processes.trains import main_stage
from pipeline.treat.processes.treatments import TREATMENTS, treat
from pipeline.words import Said
from schemas.columns import COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.treat.choosing.case import Case

# What is turned on each treatment, and whether turning it up lets more raw water through. All of them mix two waters,
# so hardness, alkalinity and the ions follow the setting in a straight line.
TURNED: Final = {
    "decarboniser": "bypass",
    "buffered decarboniser": "bypass",
    "softener": "bypass",
    "magnesium exchanger": "bypass",
    "reverse osmosis": "bypass",
    "demineraliser": "bypass",
    "calcite contact": "bypass",
    "blend": "share",
    "jug": "water_passes",
    "remineraliser": "added_mg_l_caco3",
}
_CURVED: Final = ("remineraliser",)  # chalk stops dissolving at saturation
VALVE_STEP: Final = 0.05  # what can be read on the scale of a bypass or blending valve [CP]
SET_TO: Final = 0.005  # no eye sets a valve closer [CP]
_POINTS: Final = 2001
_NODES: Final = 41
_SAME: Final = 1e-9
_LINEAR: Final = (
    HARDNESS, CALCIUM_HARDNESS, ALKALINITY, held.SODIUM, held.CHLORIDE, held.SULFATE, CONDUCTIVITY,
)  # fmt: skip
_PREDICTED: Final = (*_LINEAR, "nitrate_mg_l", "potassium_mg_l", "magnesium_hardness_mg_l_caco3", "tds_mg_l")
_SOLVED: Final = {"ph": "[pH]", "log_pco2_atm": "1", "calcite_si": "1"}
_KG_PER_MG: Final = 1e-6
_CONDUCTIVITY_SPREAD: Final = 0.08  # relative, k = 2: no conductivity is worked out better [SCCOMP]


@dataclass(frozen=True)
class _Line:
    """A treatment between the two ends of what can be turned: (points,) settings, (points, 1 + 2 k) figures."""

    settings: Floats
    columns: Mapping[str, Floats]


def turned(treatment: str) -> str:
    """Name what is turned on a treatment, "" where nothing is; on a train it is the bypass of its main stage."""
    return TURNED.get(treatment, TURNED.get(main_stage(treatment), "") if JOINT in treatment else "")


def targets(case: Case, treatment: str) -> tuple[float, float]:
    """Alkalinity and hardness a treatment is set to [mg/L as CaCO3], inside the profile's bands.

    Parameters
    ----------
    case : machine and profile.
    treatment : a row of ``decision_targets.csv``; any other is set by the profile alone.

    Returns
    -------
    the trade's figure where the profile allows it, else the profile's ideal or middle; the hardness is missing
    where the treatment does not set it.
    """
    rows = table("decision_targets")
    kinds = ("espresso" if case.hot else "brewer", *(() if case.machine.brews else ("steam",)))
    own = rows[(rows["treatment"] == treatment) & rows["kind"].isin(kinds)].tail(1)
    alkalinity = float(own["alkalinity"].iloc[0]) if len(own) else math.nan
    hardness = float(own["hardness"].iloc[0]) if len(own) else math.nan
    return (
        _within(alkalinity, case, "alkalinity"),
        hardness if math.isnan(hardness) else _within(hardness, case, "total_hardness", "calcium_hardness"),
    )


def _within(wanted: float, case: Case, *quantities: str) -> float:
    band = case.profile.band(*quantities)
    if band is None or band.low <= wanted <= band.high:
        return wanted
    if not math.isnan(band.ideal):
        return band.ideal
    return float(np.mean([end for end in (band.low, band.high) if math.isfinite(end)]))


def optimise(case: Case, treatment: str, other: pd.Series[float] | None = None) -> Option:
    """Set a treatment so that profile and machine are both content, with as little change as the trade makes.

    Parameters
    ----------
    case : water, machine, profile.
    treatment : a name of ``TREATMENTS``.
    other : the second water of a blend, canonical columns.

    Returns
    -------
    Option: the settings; what comes out with its uncertainty; ``fits``; the limits in the way; the window of
    settings in which all limits hold, and inside it the window in which they hold with the readings at both ends
    of their uncertainty.

    Raises
    ------
    KettlestoneError : there is no such treatment, or hardness or alkalinity is not known.

    Notes
    -----
    The trade's own target alkalinity is kept where every limit certainly holds at it; else the nearest mark of a
    valve that is certain; else the nearest setting that is; else the target where the limits hold at it; else the
    nearest that holds; else the one that misses least, with what it misses. Salts are the cheapest recipe that
    meets the targets under the limits (linear programme).
    """
    if treatment not in TREATMENTS:
        raise KettlestoneError(f'treatment "{treatment}" is not known; known: {", ".join(TREATMENTS)}')
    waters = held.spread(case)
    if column(waters, HARDNESS).isna().any() or column(waters, ALKALINITY).isna().any():
        raise KettlestoneError("hardness and alkalinity must be known before a treatment can be set; measure both")
    if treatment == "salt dosing":
        return _dosed(case, waters)
    if turned(treatment):
        return _turned(case, waters, treatment, other)
    if treatment in ("unsoftened tap", "softener bypass"):
        return _untested_tap(case, waters, treatment)
    return _option(case, waters, treatment, {}, other)


def evaluate_settings(
    case: Case, treatment: str, settings: Mapping[str, float], other: pd.Series[float] | None = None
) -> Option:
    """Work a treatment out at given settings: what comes out, and which limits are in the way.

    Parameters
    ----------
    case : water, machine, profile.
    treatment : a name of ``TREATMENTS``.
    settings : as ``TREATMENTS[treatment].settings`` names them.
    other : the second water of a blend.

    Raises
    ------
    KettlestoneError : an unknown treatment, or a setting that is unknown or out of its range.
    """
    return _option(case, held.spread(case), treatment, settings, other)


def _option(
    case: Case,
    waters: pd.DataFrame,
    treatment: str,
    settings: Mapping[str, float],
    other: pd.Series[float] | None = None,
    window: tuple[Window, ...] = (),
) -> Option:
    """Work the treatment out at its settings, for every end of the readings."""
    treated = treat(waters, treatment, settings, other=other)
    columns = {name: floats(column(treated, name)) for name in _LINEAR}
    if np.isnan(columns[ALKALINITY][0]) or np.isnan(columns[HARDNESS][0]):
        return Option(treatment, settings, {}, fits=False, obstacles=(Said("choose.obstacle.unsolved"),))
    own, kept = held.limited_figures(case, columns), held.limits_for(case, treatment)
    excess = held.excesses(kept, own)[:, 0]
    obstacles = [_obstacle(limit, own[limit.figure][0]) for limit, over in zip(kept, excess, strict=True) if over > 0]
    return Option(treatment, settings, predicted(case, treated), not obstacles, tuple(obstacles), window)


def _obstacle(limit: held.Limit, value: float) -> Said:
    side = "low" if value < limit.low else "high"
    bound = limit.low if side == "low" else limit.high
    whole = float(round(value))
    # A figure that only rounds to its limit keeps the digit that shows on which side it lies.
    shown = whole if whole != bound else round(value, 1)
    values = {"quantity": quantity(limit.code), "value": shown, "limit": bound, "unit": f" {limit.unit}"}
    return Said(f"choose.obstacle.{side}", values)


def quantity(code: str) -> Said:
    """Name a quantity in words."""
    return Said(f"choose.quantity.{code}")


def predicted(case: Case, treated: pd.DataFrame) -> dict[str, Range]:
    """Predict what comes out, with the uncertainty of the readings it was worked out from.

    Parameters
    ----------
    case : machine.
    treated : (1 + 2 k, ...) as `treat` gives the rows of `limits.spread`.

    Returns
    -------
    canonical column -> Range; ``ph log_pco2_atm calcite_si`` (in the pipe, all carbon dioxide kept);
    ``scale_<part>_mg_l`` of each heated part and ``scale_kg_per_year`` by the planning rule. What is not known
    is left out.
    """
    found = {name: (floats(column(treated, name)), COLUMNS[name].unit) for name in _PREDICTED}
    total, alkalinity = (found[name][0] for name in (HARDNESS, ALKALINITY))
    year = np.zeros(len(treated))
    for part in case.machine.parts:
        scale = held.scale_at(total, alkalinity, part.temperature_c)
        found[f"scale_{part.place.replace(' ', '_')}_mg_l"] = (scale, "mg/L")
        year = year + part.share * scale
    litres = case.litres * case.machine.days_per_year
    found["scale_kg_per_year"] = (floats(year * litres * _KG_PER_MG), "kg/a")
    ranges = {name: _range(values, unit) for name, (values, unit) in found.items()}
    ranges[CONDUCTIVITY] = _at_least(ranges[CONDUCTIVITY], _CONDUCTIVITY_SPREAD)
    ranges |= {name: _solved(treated, name, unit) for name, unit in _SOLVED.items()}
    return {name: own for name, own in ranges.items() if not (math.isnan(own.value) and math.isnan(own.high))}


def _range(values: Floats, unit: str) -> Range:
    low, high = held.reach_of(values)
    return Range(float(values[0]), float(np.maximum(low, 0.0)), float(high), unit)


def _at_least(own: Range, share: float) -> Range:
    """Widen a range by what the calculation itself leaves open."""
    model = share * own.value
    low, high = (math.hypot(end - own.value, model) for end in (own.low, own.high))
    return Range(own.value, own.value - low, own.value + high, own.unit)


def _solved(treated: pd.DataFrame, name: str, unit: str) -> Range:
    """Range of a solved figure: where pH or calcium share is not known its own bounds, widened by the readings."""
    ends = [floats(column(treated, f"{name}{end}")) for end in ("_low", "_high")]
    low, high = held.reach_of(ends[0])[0], held.reach_of(ends[1])[1]
    return Range(float(floats(column(treated, name))[0]), float(low), float(high), unit)


def _line(waters: pd.DataFrame, treatment: str, other: pd.Series[float] | None) -> _Line:
    """Work a treatment out at a few settings, and lay straight lines between them."""
    name = turned(treatment)
    own = next(setting for setting in TREATMENTS[treatment].settings if setting.name == name)
    nodes = np.linspace(own.low, own.high, _NODES if treatment in _CURVED else 2)
    size = len(waters)
    repeated = waters.take(np.tile(np.arange(size), nodes.size)).reset_index(drop=True)
    treated = treat(repeated, treatment, {name: np.repeat(nodes, size)}, other=other)
    settings = np.linspace(own.low, own.high, _POINTS)
    # Place of each setting between two nodes.
    left = np.minimum((np.arange(_POINTS) * (nodes.size - 1)) // (_POINTS - 1), nodes.size - 2)
    share = ((settings - nodes[left]) / (nodes[1] - nodes[0]))[:, None]
    columns = {}
    for figure in _LINEAR:
        at = floats(column(treated, figure)).reshape(nodes.size, size)
        columns[figure] = floats((1.0 - share) * at[left] + share * at[left + 1])
    return _Line(floats(settings), columns)


def _turned(case: Case, waters: pd.DataFrame, treatment: str, other: pd.Series[float] | None) -> Option:
    name, kept = turned(treatment), held.limits_for(case, treatment)
    line = _line(waters, treatment, other)
    if np.isnan(line.columns[ALKALINITY][:, 0]).all() or np.isnan(line.columns[HARDNESS][:, 0]).all():
        return Option(treatment, {}, {}, fits=False, obstacles=(Said("choose.obstacle.unsolved"),))
    own = held.limited_figures(case, line.columns)
    excess = held.excesses(kept, {figure: values[:, 0] for figure, values in own.items()})
    holds = np.asarray(excess.sum(axis=0) == 0.0)
    certain = held.sure(kept, own) & holds
    above = np.sum([limit.above(own[limit.figure][:, 0]) for limit in kept], axis=0)
    wanted = _wanted(case, treatment, line)
    place = _nearest(
        (certain, _on_marks(name, line.settings, certain) & holds),
        holds,
        floats(above),
        int(np.abs(line.settings - wanted).argmin()),
    )
    exact = abs(line.settings[place] - wanted) <= line.settings[1] - line.settings[0]
    setting = wanted if exact else float(line.settings[place])
    window = _windows(name, kept, line.settings, (holds, certain), excess, place)
    window = tuple(replace(one, usual=wanted) for one in window)
    return _option(case, waters, treatment, {name: setting}, other, window)


def _wanted(case: Case, treatment: str, line: _Line) -> float:
    """Find the setting at which the alkalinity is the trade's target; a membrane also watches the chloride."""
    alkalinity = line.columns[ALKALINITY][:, 0]
    target, hardness = targets(case, treatment)
    figure, aim = (line.columns[HARDNESS][:, 0], hardness) if not math.isnan(hardness) else (alkalinity, target)
    setting = _at(line.settings, figure, aim)
    chloride = line.columns[held.CHLORIDE][:, 0]
    if treatment not in held.MEMBRANES or np.isnan(chloride).any():
        return setting
    return min(setting, _at(line.settings, chloride, held.wanted_chloride(case)))


def _at(settings: Floats, figure: Floats, aim: float) -> float:
    """Find the setting at which a figure meets an aim, or the end that comes nearest."""
    crossed = np.flatnonzero(np.diff(np.sign(figure - aim)))
    if not crossed.size:
        return float(settings[np.abs(figure - aim).argmin()])
    two = slice(int(crossed[0]), int(crossed[0]) + 2)
    order = np.argsort(figure[two])
    return float(np.interp(aim, figure[two][order], settings[two][order]))


def _on_marks(name: str, settings: Floats, certain: Flags) -> Flags:
    """Tell which marks of a valve are certain, to half a percent: no eye sets it closer. What is no valve has none."""
    steps = settings / VALVE_STEP
    marks = np.flatnonzero((np.abs(steps - np.round(steps)) < _SAME) & (name == "bypass"))
    sure = settings[certain]
    gap = np.abs(settings[marks][:, None] - sure[None, :]).min(axis=1, initial=np.inf)
    found = np.zeros(len(settings), dtype="bool")
    found[marks[gap <= SET_TO]] = True
    return found


def _nearest(certain: tuple[Flags, Flags], holds: Flags, above: Floats, wanted: int) -> int:
    """Place of the setting to take: the wanted one, else the nearest certain, the nearest possible, the least bad.

    Where nothing holds, too little is the lesser evil: minerals can be added behind, not taken out.
    """
    anywhere, on_a_mark = certain
    if anywhere[wanted] or (holds[wanted] and not anywhere.any()):
        return wanted
    for allowed in (on_a_mark, anywhere, holds):
        places = np.flatnonzero(allowed)
        if places.size:
            return int(places[np.abs(places - wanted).argmin()])
    places = np.flatnonzero(above <= above.min() + _SAME)
    return int(places[np.abs(places - wanted).argmin()])


def _windows(
    name: str, kept: tuple[held.Limit, ...], settings: Floats, allowed: tuple[Flags, Flags], excess: Floats, place: int
) -> tuple[Window, ...]:
    """Stretch of settings around the chosen one in which the limits hold, and the stretch in which they surely do."""
    holds, certain = allowed
    if not holds[place]:
        return ()
    low, high = _stretch(holds, place)
    ends = (_end(kept, excess, low - 1, "low"), _end(kept, excess, high + 1, "high"))
    unit = "mg/L" if name.endswith("_mg_l_caco3") else "1"
    windows = [Window(name, float(settings[low]), float(settings[high]), unit, ends)]
    if certain[low : high + 1].any():
        inside = low + np.flatnonzero(certain[low : high + 1])
        nearest = int(inside[np.abs(inside - place).argmin()])
        first, last = (float(settings[end]) for end in _stretch(certain, nearest))
        said = Said("choose.window.sure", _percent(name, {"low": first, "high": last}))
        return (replace(windows[0], ends=(*ends, said), sure_low=first, sure_high=last),)
    return (replace(windows[0], ends=(*ends, Said("choose.window.probably"))),)


def _percent(name: str, values: Mapping[str, float]) -> dict[str, object]:
    """Shares are said in percent, amounts in mg/L."""
    amount = name.endswith("_mg_l_caco3")
    return {key: value if amount else 100.0 * value for key, value in values.items()} | {
        "unit": "mg/L" if amount else Said(f"choose.window.{'share' if name == 'share' else 'percent'}")
    }


def _stretch(allowed: Flags, place: int) -> tuple[int, int]:
    refused: Places = np.flatnonzero(~allowed)
    below, above = refused[refused < place], refused[refused > place]
    return (int(below[-1]) + 1 if below.size else 0, int(above[0]) - 1 if above.size else allowed.size - 1)


def _end(kept: tuple[held.Limit, ...], excess: Floats, place: int, side: str) -> Said:
    """Say what ends the window on a side: the limit just beyond it, or the valve itself."""
    if not 0 <= place < excess.shape[1]:
        return Said(f"choose.end.{side}.valve")
    limit = kept[int(excess[:, place].argmax())]
    return Said(f"choose.end.{side}.limit", {"quantity": quantity(limit.code)})


def _dosed(case: Case, waters: pd.DataFrame) -> Option:
    alkalinity, hardness = targets(case, "salt dosing")
    settings, missed = recipe_for(case, waters.iloc[0], alkalinity, hardness)
    option = _option(case, waters, "salt dosing", settings)
    return replace(option, fits=option.fits and not missed, obstacles=(*missed, *option.obstacles))


def _untested_tap(case: Case, waters: pd.DataFrame, treatment: str) -> Option:
    """Say the little that is known of an unsoftened tap nobody has tested: a softener keeps the alkalinity."""
    own = _range(floats(column(waters, ALKALINITY)), COLUMNS[ALKALINITY].unit)
    band = case.profile.band("alkalinity")
    high = math.inf if band is None else band.high
    said = Said("choose.obstacle.same_alkalinity", {"value": own.value, "limit": high})
    return Option(treatment, {}, {ALKALINITY: own}, own.value <= high, () if own.value <= high else (said,))
