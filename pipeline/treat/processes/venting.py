"""From the pipe to the open tank or cup: carbon dioxide leaves and the pH rises."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.constants import constants
from pipeline.chemistry.solving import with_gas
from pipeline.errors import KettlestoneError
from pipeline.treat.processes.prediction import lay_out
from pipeline.treat.processes.solutes import CO2_MG_PER_MMOL, dissolved
from pipeline.treat.processes.solving import composition

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

    from pipeline.arrays import Floats
    from pipeline.treat.processes.solutes import Solutes

STANDING_CO2_MG_L: Final = 2.0  # in water that stood open for hours, about four times what air keeps in it [CP]


def vented(waters: pd.DataFrame, co2_mg_l: npt.ArrayLike = STANDING_CO2_MG_L) -> pd.DataFrame:
    """Predict the same waters in an open tank or cup.

    A decarboniser's outlet reads pH 6 in the pipe and 7 in the cup, and both are right: compare a reading
    with the prediction of the place where it was taken.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns, measured or from `treat`.
    co2_mg_l : free carbon dioxide left [mg/L], one value or one per water, above 0.

    Returns
    -------
    frame as of `treat`, same index; nothing but carbon dioxide is lost, and none comes in from the air.

    Raises
    ------
    KettlestoneError : a carbon dioxide that is not above 0.

    Notes
    -----
    The pressure is that of c(CO2) by Henry's law; alkalinity is kept [PB1982]. No pH is needed: this is where a
    water without one can still be told.

    Example
    -------
    >>> import pandas as pd
    >>> kit = {"total_hardness_mg_l_caco3": 142.8, "alkalinity_mg_l_caco3": 71.4, "ph": 5.9, "temperature_c": 25.0}
    >>> vented(pd.DataFrame([kit]), 10.0)["ph"].round(1).tolist()
    [7.1]
    """
    left = np.broadcast_to(floats(co2_mg_l), (len(waters),))
    if not np.all(left > 0.0):
        raise KettlestoneError("co2_mg_l: give a carbon dioxide above 0 mg/L; open water keeps about 0.5")
    raw, known = dissolved(waters)
    ready = np.isfinite(raw.hardness + raw.alkalinity)
    some = raw.take(ready)
    pressure = np.log10(left[ready] / (1e3 * CO2_MG_PER_MMOL)) - constants(some.temperature_c).log_henry
    gas = with_gas(composition(some), some.temperature_c, pressure)
    total = np.full(len(waters), np.nan)
    total[ready] = np.where(gas.state.converged, 1e3 * gas.total_carbonate, np.nan)
    return lay_out(waters, raw, _opened(raw, total), replace(known, ph=known.ph | ready))


def _opened(water: Solutes, total_carbonate: Floats) -> Solutes:
    """Let carbon dioxide out until this total carbonate [mmol/L] is left; none comes in."""
    leaves = np.isnan(water.carbon_dioxide) | (total_carbonate < water.total_carbonate)
    return replace(water, total_carbonate=np.where(leaves, total_carbonate, water.total_carbonate))
