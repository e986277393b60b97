"""Lime scale as a range: carbon dioxide kept in … carbon dioxide gone, at the temperature of the metal."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.planning import degassed_ph, planning_index, planning_rule, usual_solids
from pipeline.chemistry.activity import LN10
from pipeline.chemistry.composition import CALCIUM, DEGASSED_LOG_PCO2, NOT_CONVERGED, OK, prepare
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    MG_CACO3_PER_MEQ,
    alkalinity_meq_l,
    calcium_and_magnesium,
    column,
)
from pipeline.chemistry.results import in_blocks
from pipeline.chemistry.saturation import MG_CACO3_PER_MOL, model_uncertainty
from pipeline.chemistry.solving import at_sampling, heated_closed, heated_open, with_calcite, with_ph

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Codes, Floats
    from pipeline.assess.readings_range import ReadingRange
    from pipeline.chemistry.composition import Composition
    from pipeline.chemistry.results import Answer
    from pipeline.chemistry.solution import Solution

CLASSES: Final = ("little scale", "some scale", "heavy scale")
_MG_CACO3_PER_EQ: Final = 1e3 * MG_CACO3_PER_MEQ
LEAST_MG_L, MOST_MG_L = -1e4, 1e4  # bounds of what is printed; nothing real lies beyond


@dataclass(frozen=True)
class ScaleLimits:
    """When lime scale matters, and how it is worked out."""

    attention_mg_l: float = 5.0  # per litre of feed, at the hottest metal [CP]
    act_mg_l: float = 20.0  # [CP]
    full_solution_up_to: int = 500  # samples; beyond it the planning rule answers, and says so
    log_pco2_open: float = DEGASSED_LOG_PCO2  # of a vented heater [AP2005]


def full_solution(readings: ReadingRange, to_c: Floats, limits: ScaleLimits) -> pd.DataFrame:
    """Scale per litre of feed from the full equilibrium, low to high.

    No reading says how much carbon dioxide leaves in a machine, so the answer is a range; a single
    figure would be a guess in disguise.

    Parameters
    ----------
    readings : (n, ...) waters at their low, middle and high readings.
    to_c : (n,) temperature of the metal [°C].
    limits : the carbon dioxide of the open end.

    Returns
    -------
    (n, 3) frame [mg/L as CaCO3 = g per 1000 L], index of ``readings``: ``low``, ``value``, ``high``.
    Negative: the water dissolves chalk.

    Notes
    -----
    low: closed, low readings, the less scaling side of the constants. high: open to the air, high
    readings, the more scaling side, the newer compilation included [PB1982, PHREEQC38]. Readings move
    together, so the range is wider than k = 2. value: the degassed pH of the planning rule [PB1991], with
    the saturation index of the full solution in place of the short form's. Without pH the closed end
    starts from a groundwater's carbon dioxide, without the calcium share from 50 % to 100 % of
    hardness; the value then takes all hardness as calcium.
    """
    spread = model_uncertainty(pd.Series(to_c))
    less = floats(spread["calcite_si_plus_minus"])
    more = floats(less + spread["newer_database_higher"])
    low = _bound(readings.low, to_c, -less, np.fmin, lambda cold, heat: (heated_closed(cold, heat), False))
    high = _bound(
        readings.high,
        to_c,
        more,
        np.fmax,
        lambda cold, heat: (heated_open(cold, heat, limits.log_pco2_open), True),
    )
    bounds = _ordered(low, _usual(readings.middle, to_c), high)
    return pd.DataFrame(dict(zip(("low", "value", "high"), bounds, strict=True)), index=readings.middle.index)


def _bound(
    waters: pd.DataFrame,
    to_c: Floats,
    shift: Floats,
    extreme: np.ufunc,
    heated: Callable[[Solution, Floats], tuple[Solution, bool]],
) -> Floats:
    """Solve every case, index shifted by the constants' uncertainty; keep the extreme case per water."""
    cases = prepare(waters).cases
    heat, moved = to_c[cases.row], LN10 * shift[cases.row]

    def answer(block_cases: Composition, block: slice) -> Answer:
        hot, is_open = heated(at_sampling(block_cases), heat[block])
        minerals = {**hot.constants.ln_mineral, "calcite": hot.constants.ln_mineral["calcite"] - moved[block]}
        hot = replace(hot, constants=replace(hot.constants, ln_mineral=minerals))
        saturated, dropped = with_calcite(hot, open_to_gas=is_open)
        return {"scale": MG_CACO3_PER_MOL * dropped}, np.where(saturated.state.converged, OK, NOT_CONVERGED)

    values, fault = in_blocks(cases, answer)
    result = np.full(len(waters), np.nan)
    extreme.at(result, cases.row, values["scale"])
    result[cases.row[fault != OK]] = np.nan
    return result


def _usual(waters: pd.DataFrame, to_c: Floats) -> Floats:
    cases = prepare(waters).cases
    rows, first = np.unique(cases.row, return_index=True)
    cases = cases.take(first)
    heat = to_c[rows]
    lime = _MG_CACO3_PER_EQ * 2.0 * cases.ions[CALCIUM]
    buffer = _MG_CACO3_PER_EQ * cases.alkalinity
    hot = replace(cases, temperature_c=heat, ph=degassed_ph(buffer))

    def answer(block_cases: Composition, _: slice) -> Answer:
        solved = with_ph(block_cases)
        index = {"index": solved.saturation_indices()["calcite"]}
        return index, np.where(solved.state.converged, OK, NOT_CONVERGED)

    values, fault = in_blocks(hot, answer)
    solids = usual_solids(lime, buffer)
    shift = values["index"] - planning_index(lime, buffer, solids, heat)
    dropped = planning_rule(lime, buffer, heat, solids, shift)
    result = np.full(len(waters), np.nan)
    result[rows] = np.where(fault == OK, dropped, np.nan)
    return result


def planned(readings: ReadingRange, to_c: Floats) -> pd.DataFrame:
    """Scale per litre of feed by the planning rule, at low, middle and high readings.

    Parameters
    ----------
    readings : (n, ...) waters at their low, middle and high readings.
    to_c : (n,) temperature of the metal [°C].

    Returns
    -------
    (n, 3) frame [mg/L as CaCO3], index of ``readings``: ``low``, ``value``, ``high``; total hardness as
    calcium, calcium hardness where that is all there is.
    """
    parts = {"low": readings.low, "value": readings.middle, "high": readings.high}
    columns = {name: planning_rule(_lime(part), _buffer(part), to_c) for name, part in parts.items()}
    return pd.DataFrame(columns, index=readings.middle.index)


def _lime(waters: pd.DataFrame) -> Floats:
    ions = calcium_and_magnesium(waters)["calcium_mg_l"] * CACO3_PER_CALCIUM
    return floats(column(waters, "total_hardness_mg_l_caco3").fillna(ions))


def _buffer(waters: pd.DataFrame) -> Floats:
    return floats(MG_CACO3_PER_MEQ * alkalinity_meq_l(waters))


def _ordered(low: Floats, value: Floats, high: Floats) -> Floats:
    """Let low and high enclose the value: water that already stands above the air's pH loses none."""
    bounds = np.clip([low, value, high], LEAST_MG_L, MOST_MG_L)
    enclosing = np.array([np.fmin.reduce(bounds), bounds[1], np.fmax.reduce(bounds)])
    return np.where(np.isnan(low) | np.isnan(high), np.nan, enclosing)


def scale_class(scale_mg_l: Floats, limits: ScaleLimits) -> Codes:
    """Place in `CLASSES`: up to 5, up to 20, more [mg per litre of feed]; -1 where missing."""
    place = (scale_mg_l > limits.attention_mg_l).astype("int64") + (scale_mg_l > limits.act_mg_l)
    return np.where(np.isnan(scale_mg_l), -1, place).astype("int64")


def scale_word(ranges: pd.DataFrame, limits: ScaleLimits) -> pd.Series[str]:
    """Put a range of scale into a word.

    Parameters
    ----------
    ranges : (n, 3) frame ``low value high`` [mg/L].
    limits : bounds of the classes.

    Returns
    -------
    (n,) one of `CLASSES` where low and high agree; "probably …" where the value decides;
    "undetermined, usually …" where the low end dissolves and the high end drops; "undetermined, at
    most …" without a value; "not known" without a range.
    """
    low, value, high = (scale_class(floats(ranges[name]), limits) for name in ("low", "value", "high"))
    known = (low >= 0) & (high >= 0)
    sign_differs = (ranges["low"] < 0.0).to_numpy() & (high > 0)
    at_most = np.where(value >= 0, value, high)
    stem = np.select([low == high, value < 0, sign_differs], [0, 3, 2], default=1)
    stems = ("{}", "probably {}", "undetermined, usually {}", "undetermined, at most {}")
    words = ["not known", *(stem.format(word) for stem in stems for word in CLASSES)]
    code = np.where(known, 1 + stem * len(CLASSES) + np.maximum(at_most, 0), 0)
    return pd.Series(pd.array(words, dtype="str").take(code), index=ranges.index)
