"""The trade's planning rule for lime scale: a degassed water drops chalk until its index is zero."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.activity import LN10

if TYPE_CHECKING:
    from pipeline.arrays import Floats

DEGASSED_SLOPE, DEGASSED_BASE = 1.465, 4.54  # pH of a degassed water from log alkalinity [PB1991]
KELVIN_AS_PRINTED: Final = 273.0  # [LANGELIER1936], as the short form is printed
SOLIDS_PER_SALT, LEAST_SOLIDS = 1.3, 50.0  # of dissolved solids where none were measured [CP]
MOST_C: Final = 130.0  # the short form is not used above [CP]
_HALVINGS, _STEPS = 9, 4  # enough for a millionth of the answer
_LEAST: Final = 1e-9


def degassed_ph(alkalinity_mg_l_caco3: Floats) -> Floats:
    """Estimate the pH of a water that lost most of its carbon dioxide on heating.

    The pH of the tap does not survive the boiler.

    Parameters
    ----------
    alkalinity_mg_l_caco3 : (n,) [mg/L as CaCO3].

    Notes
    -----
    pH = 1.465 log10(alkalinity) + 4.54, fitted to evaporating waters [PB1991].

    Example
    -------
    >>> degassed_ph(np.array([100.0])).round(2).tolist()
    [7.47]
    """
    return floats(DEGASSED_SLOPE * np.log10(np.maximum(alkalinity_mg_l_caco3, _LEAST)) + DEGASSED_BASE)


def saturation_ph(calcium_hardness: Floats, alkalinity: Floats, solids: Floats, to_c: Floats) -> Floats:
    """PH at which a water neither drops nor dissolves chalk, in the short form of the trade.

    Parameters
    ----------
    calcium_hardness, alkalinity : (n,) [mg/L as CaCO3].
    solids : (n,) dissolved solids [mg/L].
    to_c : (n,) temperature [°C], up to 130.

    Notes
    -----
    pHs = 9.3 + (log TDS - 1)/10 - 13.12 log(T + 273) + 34.55 - (log Ca - 0.4) - log alkalinity
    [SIMPLELSI]. The 1 is taken off the logarithm, not off the solids.

    Example
    -------
    >>> one = np.ones(1)
    >>> saturation_ph(200.0 * one, 205.0 * one, 338.0 * one, 25.0 * one).round(2).tolist()
    [7.33]
    """
    warmth = -13.12 * np.log10(to_c + KELVIN_AS_PRINTED) + 34.55
    salt = (np.log10(np.maximum(solids, 1.0)) - 1.0) / 10.0
    lime = np.log10(np.maximum(calcium_hardness, _LEAST)) - 0.4
    return floats(9.3 + salt + warmth - lime - np.log10(np.maximum(alkalinity, _LEAST)))


def planning_index(calcium_hardness: Floats, alkalinity: Floats, solids: Floats, to_c: Floats) -> Floats:
    """Index of the degassed water: above 0 it drops chalk."""
    return floats(degassed_ph(alkalinity) - saturation_ph(calcium_hardness, alkalinity, solids, to_c))


def usual_solids(calcium_hardness: Floats, alkalinity: Floats, measured: Floats | None = None) -> Floats:
    """Dissolved solids [mg/L]: as measured, else 1.3 times the larger of hardness and alkalinity [CP]."""
    guess = np.maximum(SOLIDS_PER_SALT * np.fmax(calcium_hardness, alkalinity), LEAST_SOLIDS)
    return floats(guess if measured is None else np.where(np.isnan(measured), guess, measured))


def planning_rule(
    calcium_hardness: Floats,
    alkalinity: Floats,
    to_c: Floats,
    solids: Floats | None = None,
    shift: Floats | float = 0.0,
) -> Floats:
    """Milligrams of chalk a litre of feed drops, by the planning rule of the trade.

    Everyone in the trade can check it with a table; the full solution is held against it.

    Parameters
    ----------
    calcium_hardness : (n,) [mg/L as CaCO3]; total hardness is the safe substitute.
    alkalinity : (n,) [mg/L as CaCO3].
    to_c : (n,) hottest temperature [°C]; nothing is claimed above 130.
    solids : (n,) dissolved solids [mg/L]; missing ones are estimated.
    shift : added to the index before anything drops [-]: 0 is the rule as published.

    Returns
    -------
    (n,) mg/L as CaCO3, which is g per 1000 L; 0 where nothing drops, missing where an input is.

    Notes
    -----
    The x for which index(Ca - x, alkalinity - x) = 0, the pH following the alkalinity as it falls.
    Solved by halving 0 … min(Ca, alkalinity), then by Newton steps kept inside the last half.

    Example
    -------
    >>> one = np.ones(1)
    >>> planning_rule(314.7 * one, 260.0 * one, 95.0 * one).round(0).tolist()
    [210.0]
    """
    lime, buffer, heat = (floats(values) for values in (calcium_hardness, alkalinity, to_c))
    fixed = saturation_ph(np.ones_like(lime), np.ones_like(lime), usual_solids(lime, buffer, solids), heat)
    fixed = fixed - shift - DEGASSED_BASE
    slope = DEGASSED_SLOPE + 1.0
    low, high = np.zeros_like(lime), np.maximum(np.minimum(lime, buffer), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        scales = slope * np.log10(buffer) + np.log10(lime) > fixed
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            more = slope * np.log10(buffer - middle) + np.log10(lime - middle) > fixed
            low, high = np.where(more, middle, low), np.where(more, high, middle)
        dropped = 0.5 * (low + high)
        for _ in range(_STEPS):
            excess = slope * np.log10(buffer - dropped) + np.log10(lime - dropped) - fixed
            fall = (slope / (buffer - dropped) + 1.0 / (lime - dropped)) / LN10
            dropped = np.clip(dropped + excess / fall, low, high)
    known = ~(np.isnan(lime) | np.isnan(buffer) | np.isnan(heat)) & (heat <= MOST_C)
    return floats(np.where(known, np.where(scales, dropped, 0.0), np.nan))
