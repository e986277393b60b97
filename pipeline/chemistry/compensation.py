"""Bring a conductivity from the temperature of the water to 25 °C, and back."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import pandas as pd

from pipeline.reference import table

Method = Literal["iso7888", "linear"]

LINEAR_SLOPE: Final = 0.0191  # per °C of the value at 25 °C [APHA2510]; meters often fix 0.02
_LIQUID_C: Final = (0.0, 100.0)
_ISO7888: Final = table("conductance_iso7888")
_ISO_TEMPERATURE_C: Final = _ISO7888["temperature_c"].to_numpy(dtype="float64")
_ISO_FACTOR: Final = _ISO7888["f25"].to_numpy(dtype="float64")
EC25_PER_EC20: Final = float(np.interp(20.0, _ISO_TEMPERATURE_C, _ISO_FACTOR))  # 1.116 [ISO7888]


def factor_to_25c(
    temperature_c: pd.Series[float] | float, method: Method = "iso7888", slope: float = LINEAR_SLOPE
) -> pd.Series[float]:
    """Factor that a conductivity at T is multiplied by to stand at 25 °C.

    Parameters
    ----------
    temperature_c : (n,) series or one number [°C].
    method : ``"iso7888"``, the table for natural water, or ``"linear"``, a fixed slope.
    slope : relative change per °C, used by ``"linear"`` only [1/°C].

    Returns
    -------
    (n,) series [-]; missing outside 0–35 °C (table), outside 0–100 °C or where 1 + slope (T - 25)
    is not above 0 (linear).

    Raises
    ------
    ValueError : another method was asked for.

    Notes
    -----
    Table: for natural waters of roughly 60–1000 µS/cm, linear between whole degrees [ISO7888].
    Linear: 1/(1 + slope (T - 25)); good within about 5 °C of 25 °C [APHA2510].

    Example
    -------
    >>> float(factor_to_25c(10.0).item())
    1.428
    """
    temperature = temperature_c if isinstance(temperature_c, pd.Series) else pd.Series([temperature_c])
    degrees = temperature.to_numpy(dtype="float64", na_value=np.nan)
    if method == "iso7888":
        factor = np.interp(degrees, _ISO_TEMPERATURE_C, _ISO_FACTOR, left=np.nan, right=np.nan)
    elif method == "linear":
        growth = 1.0 + slope * (degrees - 25.0)
        usable = (degrees >= _LIQUID_C[0]) & (degrees <= _LIQUID_C[1]) & (growth > 0.0)
        factor = np.divide(1.0, growth, out=np.full_like(growth, np.nan), where=usable)
    else:
        raise ValueError(f'method {method!r}: use "iso7888" or "linear"')
    return pd.Series(factor, index=temperature.index, name="factor_to_25c")


def to_25c(
    conductivity_us_cm: pd.Series[float],
    temperature_c: pd.Series[float] | float,
    method: Method = "iso7888",
    slope: float = LINEAR_SLOPE,
) -> pd.Series[float]:
    """Compensate a conductivity that the meter showed uncompensated.

    Never use it on a reading of a meter that compensates by itself: at 10 °C the second
    compensation adds 43 %.

    Parameters
    ----------
    conductivity_us_cm : (n,) series at ``temperature_c`` [µS/cm].
    temperature_c : (n,) series with the same index, or one number [°C].
    method, slope : as in `factor_to_25c`.

    Returns
    -------
    (n,) series at 25 °C [µS/cm]; missing where the conductivity is negative or the temperature
    is outside the method's range.

    Raises
    ------
    ValueError : another method was asked for.

    Notes
    -----
    EC25 = f25(T) EC(T) [ISO7888], or EC(T)/(1 + slope (T - 25)) [APHA2510].

    Example
    -------
    >>> float(to_25c(pd.Series([421.5]), 10.0).round(1).item())
    601.9
    """
    factor = _along(conductivity_us_cm, factor_to_25c(temperature_c, method, slope))
    return _not_negative(conductivity_us_cm * factor).rename("conductivity_us_cm_25c")


def from_25c(
    conductivity_us_cm_25c: pd.Series[float],
    temperature_c: pd.Series[float] | float,
    method: Method = "iso7888",
    slope: float = LINEAR_SLOPE,
) -> pd.Series[float]:
    """Say what an uncompensated meter would show; the reverse of `to_25c`.

    Parameters
    ----------
    conductivity_us_cm_25c : (n,) series at 25 °C [µS/cm].
    temperature_c, method, slope : as in `to_25c`.

    Returns
    -------
    (n,) series at ``temperature_c`` [µS/cm]; missing as in `to_25c`.

    Raises
    ------
    ValueError : another method was asked for.

    Example
    -------
    >>> float(from_25c(pd.Series([677.0]), 10.0).round(0).item())
    474.0
    """
    factor = _along(conductivity_us_cm_25c, factor_to_25c(temperature_c, method, slope))
    return _not_negative(conductivity_us_cm_25c / factor).rename("conductivity_us_cm")


def from_20c(conductivity_us_cm_20c: pd.Series[float]) -> pd.Series[float]:
    """Restate a conductivity referred to 20 °C, as European laboratories may, at 25 °C.

    Parameters
    ----------
    conductivity_us_cm_20c : (n,) series referred to 20 °C [µS/cm].

    Returns
    -------
    (n,) series at 25 °C [µS/cm]; missing where negative.

    Notes
    -----
    EC25 = 1.116 EC20 [ISO7888].

    Example
    -------
    >>> float(from_20c(pd.Series([2500.0])).round(0).item())
    2790.0
    """
    return _not_negative(conductivity_us_cm_20c * EC25_PER_EC20).rename("conductivity_us_cm_25c")


def _along(values: pd.Series[float], factor: pd.Series[float]) -> pd.Series[float]:
    if factor.index.equals(values.index):
        return factor
    if len(factor) == 1:
        return pd.Series(factor.item(), index=values.index)
    raise ValueError("conductivity and temperature need the same index")


def _not_negative(values: pd.Series[float]) -> pd.Series[float]:
    return values.where(values >= 0.0)
