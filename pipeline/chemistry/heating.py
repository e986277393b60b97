"""Water in machines: heated closed or open, steamed off, and concentrated in a boiler."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.carbonate import fault
from pipeline.chemistry.composition import (
    CALCIUM,
    CHLORIDE,
    DEGASSED_LOG_PCO2,
    SILICA,
    SULFATE,
    Composition,
    per_water,
    prepare,
)
from pipeline.chemistry.constants import log_k
from pipeline.chemistry.equivalents import MOLAR_MASS
from pipeline.chemistry.results import assemble, in_blocks
from pipeline.chemistry.saturation import MG_CACO3_PER_MOL, minerals
from pipeline.chemistry.solving import at_sampling, heated_closed, heated_open, with_calcite

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Floats
    from pipeline.chemistry.results import Answer
    from pipeline.chemistry.solution import Solution

    PerWater = float | pd.Series[float]

MOST_CYCLES: Final = 1000.0
RANGES: Final = {"to_c": (0.0, 150.0), "cycles": (1.0, MOST_CYCLES)}
MOST_STRENGTH: Final = 0.7  # mol/kg: cycles are not followed closer to the end of the activity model
_LIMIT_STEPS: Final = 12
_SLOPE_OF_INDEX: Final = 1.7  # of the anhydrite index per decade of cycles; 2 less the activity effect


def _in_range(value: PerWater, waters: pd.DataFrame, name: str) -> Floats:
    """Spread one value over all waters, and refuse what the model cannot do."""
    least, most = RANGES[name]
    values = per_water(value, waters.index, name)
    if not np.all((values >= least) & (values <= most)):
        raise ValueError(f"{name}: give {least:g} to {most:g}, one value or one per water")
    return values


def heat(
    waters: pd.DataFrame,
    to_c: PerWater,
    mode: Literal["closed", "open"],
    *,
    log_pco2_atm: float = DEGASSED_LOG_PCO2,
) -> pd.DataFrame:
    """Bring each water to another temperature and give its pH, saturation and scale potential there.

    The pH measured at the tap is not the pH in the boiler: used unchanged it doubles the index.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns [°C, pH, mg/L]; missing values NaN.
    to_c : temperature to reach [°C], 0–150, one for all or one per water.
    mode : ``"closed"``: full and under pressure, carbon dioxide stays in (boiler, heat exchanger);
        ``"open"``: carbon dioxide leaves to the air (kettle, urn). A real machine lies between.
    log_pco2_atm : log10 of the carbon dioxide pressure of the open case [atm].

    Returns
    -------
    frame of `pipeline.chemistry.saturation.saturate`'s columns, same index, at ``to_c``; the potential is
    closed or open as the mode is. Milligrams per kilogram of water heated.

    Raises
    ------
    ValueError : an unknown mode, a temperature outside 0–150 °C, or a series of other rows.

    Notes
    -----
    Closed: total carbonate and alkalinity per kg are kept. Open: alkalinity is kept and the activity of
    carbon dioxide is KH pCO2 [PB1982]. Nothing precipitates before the potential is worked out.

    Example
    -------
    >>> import pandas as pd
    >>> water = {"temperature_c": 25.0, "ph": 7.4, "calcium_mg_l": 80.0, "magnesium_mg_l": 12.0}
    >>> water |= {"sodium_mg_l": 20.0, "bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0}
    >>> heat(pd.DataFrame([water]), 93.0, "closed")[["ph", "calcite_si"]].round(2).to_numpy().tolist()
    [[7.32, 0.94]]
    """
    if mode not in ("closed", "open"):
        raise ValueError(f'mode {mode!r}: use "closed" or "open"')
    prepared = prepare(waters)
    target = _in_range(to_c, waters, "to_c")[prepared.cases.row]

    def answer(cases: Composition, block: slice) -> Answer:
        cold = at_sampling(cases)
        open_to_gas = mode == "open"
        hot = heated_open(cold, target[block], log_pco2_atm) if open_to_gas else heated_closed(cold, target[block])
        values, _ = minerals(hot, open_to_gas=open_to_gas)
        return values, fault(cold, hot)

    return assemble(waters, prepared, in_blocks(prepared.cases, answer))


def _steam_limit(cases: Composition) -> Floats:
    return floats(MG_CACO3_PER_MOL * np.clip(cases.alkalinity / 2.0, 0.0, cases.ions[CALCIUM]))


def boiler(waters: pd.DataFrame, to_c: PerWater, cycles: PerWater) -> pd.DataFrame:
    """Describe a steam boiler's water after a number of cycles of concentration.

    Steam takes the water and leaves the salts; silica and calcium sulfate scale, which no acid
    descaler removes, set how far a boiler may concentrate before it must be drained.

    Parameters
    ----------
    waters : (n, ...) frame of feed waters with the canonical columns.
    to_c : boiler temperature [°C], 0–150, one for all or one per water.
    cycles : feed litres per litre left [-], 1–1000, one for all or one per water.

    Returns
    -------
    frame, same index: ``steam_limit_mg_l_caco3`` (per litre of feed), ``boiler_chloride_mg_l``,
    ``amorphous_silica_si``, ``anhydrite_si`` (no scale formed yet: the upper bound) and
    ``anhydrite_after_calcite_si`` (calcite scale took its calcium: the lower bound), and the cycles at which
    each reaches saturation, ``silica_cycles_max`` and ``anhydrite_cycles_max``; each with ``_low`` and
    ``_high``.

    Raises
    ------
    ValueError : a temperature or a number of cycles out of range, or a series of other rows.

    Notes
    -----
    Silica: log10(N c / c_sat), c_sat = 10^(-0.26 - 731/T) mol/kg [RB1980], which ignores the silicate of
    alkaline boiler water and so errs to the safe side. Anhydrite is the stable calcium sulfate above
    about 50 °C [BD1973]. ``anhydrite_cycles_max`` stops at 1000 or at an ionic strength of 0.7 mol/kg: read
    it as "at least".
    """
    prepared = prepare(waters)
    target = _in_range(to_c, waters, "to_c")[prepared.cases.row]
    times = _in_range(cycles, waters, "cycles")[prepared.cases.row]

    def answer(cases: Composition, block: slice) -> Answer:
        cold = at_sampling(cases)
        hot = _concentrated(cold, target[block], times[block])
        after, _ = with_calcite(hot)
        silica = cases.ions[SILICA] / 10.0 ** log_k("amorphous_silica", target[block])
        with np.errstate(divide="ignore"):
            most = np.where(silica > 0.0, 1.0 / silica, np.nan)
            silica_index = np.where(silica > 0.0, np.log10(times[block] * silica), np.nan)
        values = {
            "steam_limit_mg_l_caco3": _steam_limit(cases),
            "boiler_chloride_mg_l": 1e3 * MOLAR_MASS["chloride"] * times[block] * cases.ions[CHLORIDE],
            "amorphous_silica_si": silica_index,
            "anhydrite_si": hot.saturation_indices()["anhydrite"],
            "anhydrite_after_calcite_si": np.where(
                after.state.converged, after.saturation_indices()["anhydrite"], np.nan
            ),
            "silica_cycles_max": most,
            "anhydrite_cycles_max": _anhydrite_cycles(cold, target[block]),
        }
        return values, fault(cold, hot)

    return assemble(waters, prepared, in_blocks(prepared.cases, answer))


def _concentrated(cold: Solution, to_c: Floats, cycles: Floats) -> Solution:
    """Water of ``cycles`` times the feed's salts, alkalinity and carbonate, at another temperature."""
    thicker = replace(cold.cases, ions=cold.cases.ions * cycles, alkalinity=cold.cases.alkalinity * cycles)
    return heated_closed(replace(cold, cases=thicker, species=cold.species * cycles), to_c)


def _anhydrite_cycles(cold: Solution, to_c: Floats) -> Floats:
    """Cycles at which anhydrite saturates: a fixed number of secant-like steps on log N."""
    most = np.clip(MOST_STRENGTH / cold.state.strength, 1.0, MOST_CYCLES)
    cycles = np.ones_like(to_c)
    for _ in range(_LIMIT_STEPS):
        index = _concentrated(cold, to_c, cycles).saturation_indices()["anhydrite"]
        cycles = np.clip(cycles * 10.0 ** (-index / _SLOPE_OF_INDEX), 0.01, most)
    return np.where(cold.cases.ions[SULFATE] > 0.0, cycles, np.nan)
