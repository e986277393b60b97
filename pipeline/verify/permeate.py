"""What a membrane holds back, from its feed and its own water: of all salts, of single ions, or by one pen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.treat.advice import Range
from pipeline.words import Said

if TYPE_CHECKING:
    import pandas as pd

# What tells all salts at once, the surest first: one pen on both sides has one factor, which falls out of the ratio.
ALL_SALTS: Final = ("conductivity_us_cm_25c", "tds_mg_l")
_IONS: Final = {
    "calcium_mg_l": "calcium",
    "magnesium_mg_l": "magnesium",
    "sodium_mg_l": "sodium",
    "potassium_mg_l": "potassium",
    "chloride_mg_l": "chloride",
    "sulfate_mg_l": "sulfate",
    "nitrate_mg_l": "nitrate",
    "silica_mg_l": "silica",
    "alkalinity_mg_l_caco3": "bicarbonate",
}
_MISSING: Final = Range(float("nan"), float("nan"), float("nan"), "1")


def salts_read(feed: pd.Series, permeate: pd.Series | None) -> str:
    """Name the column that both waters have and that tells all salts, "" where there is none."""
    if permeate is None:
        return ""
    both = [name for name in ALL_SALTS if _number(feed, name) > 0.0 and np.isfinite(_number(permeate, name))]
    return next(iter(both), "")


def share_left(feed: pd.Series, permeate: pd.Series | None) -> float:
    """Give the share of the salts that is left behind the membrane [-], NaN where it was not read on both sides."""
    name = salts_read(feed, permeate)
    return _number(permeate, name) / _number(feed, name) if name and permeate is not None else float("nan")


def rejection_read(feed: pd.Series, permeate: pd.Series | None, widths: tuple[pd.Series, pd.Series]) -> Range:
    """Work out what the membrane holds back of all salts.

    Parameters
    ----------
    feed, permeate : in canonical columns.
    widths : k = 2 of both, with the columns of `ALL_SALTS`.

    Notes
    -----
    R = 1 - c(permeate) / c(feed); of a ratio the relative uncertainties add as squares [JCGM100 5.1.6].
    """
    name = salts_read(feed, permeate)
    if not name or permeate is None:
        return _MISSING
    before, behind = _number(feed, name), _number(permeate, name)
    ratio = behind / before
    own = _number(widths[1], name) / behind if behind > 0.0 else 0.0
    spread = ratio * float(np.hypot(np.nan_to_num(own), np.nan_to_num(_number(widths[0], name) / before)))
    return Range(1.0 - ratio, 1.0 - ratio - spread, min(1.0 - ratio + spread, 1.0), "1")


def rejection_settings(feed: pd.Series, permeate: pd.Series | None) -> dict[str, float]:
    """Set a membrane as it was measured: what it holds back of all salts, and of each ion that both waters have.

    Parameters
    ----------
    feed, permeate : in canonical columns.

    Returns
    -------
    settings of the treatment ``reverse osmosis``; empty where the salts were not read on both sides.

    Example
    -------
    >>> import pandas as pd
    >>> rejection_settings(pd.Series({"tds_mg_l": 320.0}), pd.Series({"tds_mg_l": 12.0}))
    {'rejection': 0.9625}
    """
    left = share_left(feed, permeate)
    if permeate is None or not 0.0 <= left <= 1.0:
        return {}
    ions = {
        f"rejection_{ion}": 1.0 - _number(permeate, name) / _number(feed, name)
        for name, ion in _IONS.items()
        if _number(feed, name) > 0.0 and 0.0 <= _number(permeate, name) <= _number(feed, name)
    }
    return {"rejection": 1.0 - left, **ions}


def rejection_said(feed: pd.Series, permeate: pd.Series | None, found: Range) -> tuple[Said, ...]:
    """Say what the membrane holds back, and by which reading."""
    name = salts_read(feed, permeate)
    if not name or permeate is None or np.isnan(found.value):
        return ()
    values = {
        "percent": 100.0 * found.value,
        "name": Said(f"verify.name.{name}"),
        "before": _number(feed, name),
        "behind": _number(permeate, name),
    }
    return (Said("verify.rejection", values),)


def _number(water: pd.Series | None, name: str) -> float:
    return float("nan") if water is None else float(water.get(name, np.nan))
