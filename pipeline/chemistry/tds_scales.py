"""Back from the dissolved solids a meter shows to the conductivity it measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.reference import gathered, records

if TYPE_CHECKING:
    from pipeline.arrays import Floats


_POINTS: Final = gathered(records("conductance_tds_points"), "scale")
_FACTORS: Final = [row["factor"] for row in records("conductance_tds_factors")]
SCALES: Final[tuple[str, ...]] = tuple(sorted(_POINTS))
UNKNOWN_SCALE_FACTORS: Final = (min(_FACTORS), max(_FACTORS))  # 0.5, 0.7 [CP]
_FACTOR_RANGE: Final = (0.3, 1.0)  # [HEM1985] finds 0.54-0.96 in nature, meters are built from 0.4 [CP]
_FAR: Final = 1e9  # carries the factor of an end point outwards, unchanged


def _held(values: Floats) -> Floats:
    """Carry the first and last value far outwards and take logarithms."""
    logs: Floats = np.log(np.concatenate([values[:1] / _FAR, values, values[-1:] * _FAR]))
    return logs


def _curve(scale: str) -> tuple[Floats, Floats]:
    """Give log conductivity and log dissolved solids along a scale, its end factors held beyond it."""
    columns = ("conductivity_us_cm_25c", "tds_mg_l")
    conductivity, solids = (floats([row[name] for row in _POINTS[scale]]) for name in columns)
    return _held(conductivity), _held(solids)


def _convert(values: pd.Series[float], scale: str | float, *, to_solids: bool) -> pd.Series[float]:
    if not isinstance(scale, str):
        if not _FACTOR_RANGE[0] <= scale <= _FACTOR_RANGE[1]:
            raise ValueError(f"scale factor {scale}: a meter's factor lies in {_FACTOR_RANGE}")
        usable = values.where(values >= 0.0)
        return usable * scale if to_solids else usable / scale
    if scale not in _POINTS:
        raise ValueError(f"scale {scale!r}: use one of {', '.join(SCALES)} or the meter's own factor")
    conductivity, solids = _curve(scale)
    source, target = (conductivity, solids) if to_solids else (solids, conductivity)
    read = values.to_numpy(dtype="float64", na_value=np.nan)
    positive = np.where(read > 0.0, read, np.nan)
    converted = np.exp(np.interp(np.log(positive), source, target))
    return pd.Series(np.where(read == 0.0, 0.0, converted), index=values.index)


def from_tds(tds_mg_l: pd.Series[float], scale: str | float) -> pd.Series[float]:
    """Recover the conductivity behind a meter's dissolved solids.

    The meter measured a conductivity and multiplied; two meters with different scales disagree
    by 40 % on the same water, while their conductivities agree.

    Parameters
    ----------
    tds_mg_l : (n,) series as the meter shows it [mg/L].
    scale : the meter's own factor [mg/L per µS/cm], or one of `SCALES`: ``"nacl"``, ``"442"``
        (40 % Na2SO4, 40 % NaHCO3, 20 % NaCl), ``"kcl"``, whose factor changes with conductivity.

    Returns
    -------
    (n,) series at 25 °C [µS/cm]; missing where the reading is negative or missing.

    Raises
    ------
    ValueError : an unknown scale, or a factor no meter has.

    Notes
    -----
    EC = TDS/k [CP]. Scales with points: linear in log EC and log TDS between the published
    points [METERTABLE]; beyond the first and last point their factor is held.

    Example
    -------
    >>> from_tds(pd.Series([150.0]), 0.5).tolist()
    [300.0]
    >>> from_tds(pd.Series([300.0, 1000.0]), "442").round(1).tolist()
    [447.0, 1413.0]
    """
    return _convert(tds_mg_l, scale, to_solids=False).rename("conductivity_us_cm_25c")


def to_tds(conductivity_us_cm_25c: pd.Series[float], scale: str | float) -> pd.Series[float]:
    """Say what a meter with this scale would show; the reverse of `from_tds`.

    Parameters
    ----------
    conductivity_us_cm_25c : (n,) series at 25 °C [µS/cm].
    scale : as in `from_tds`.

    Returns
    -------
    (n,) series [mg/L]; missing where the conductivity is negative or missing.

    Raises
    ------
    ValueError : an unknown scale, or a factor no meter has.

    Example
    -------
    >>> to_tds(pd.Series([447.0]), "nacl").round(1).tolist()
    [215.5]
    """
    return _convert(conductivity_us_cm_25c, scale, to_solids=True).rename("tds_mg_l")


def from_tds_of_unknown_scale(tds_mg_l: pd.Series[float]) -> pd.DataFrame:
    """Bound the conductivity behind dissolved solids when the meter's scale is not known.

    Parameters
    ----------
    tds_mg_l : (n,) series as the meter shows it [mg/L].

    Returns
    -------
    (n, 2) frame ``conductivity_us_cm_25c_low``, ``conductivity_us_cm_25c_high`` [µS/cm].

    Notes
    -----
    TDS/0.7 to TDS/0.5, the scales in common use [CP]: of a meter, at any concentration; not of a weighed residue, whose
    ratio is 0.4 to 0.8.

    Example
    -------
    >>> from_tds_of_unknown_scale(pd.Series([150.0])).round(1).to_numpy().tolist()
    [[214.3, 300.0]]
    """
    smallest, largest = UNKNOWN_SCALE_FACTORS
    bounds = {"low": from_tds(tds_mg_l, largest), "high": from_tds(tds_mg_l, smallest)}
    return pd.DataFrame({f"conductivity_us_cm_25c_{end}": values for end, values in bounds.items()})
