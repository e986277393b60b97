"""What can be set on a treatment: names, units, ranges and defaults, and how a caller's values are checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.errors import KettlestoneError
from pipeline.reference import table

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from pipeline.arrays import Floats
    from pipeline.treat.processes.solutes import Solutes


@dataclass(frozen=True)
class Setting:
    """One thing that can be set: its default and the range it may have; NaN as default means "not given"."""

    name: str
    unit: str
    default: float
    low: float
    high: float
    source: str


@dataclass(frozen=True)
class TreatmentSettings:
    """The checked values of one call, one per water, and the second water where there is one."""

    values: Mapping[str, Floats]
    other: Solutes | None = None

    def __getitem__(self, name: str) -> Floats:
        """Give the values of one setting."""
        return self.values[name]


def _read() -> dict[str, tuple[Setting, ...]]:
    rows = table("treatment_settings")
    grouped: dict[str, tuple[Setting, ...]] = {}
    for row in rows.to_dict("records"):
        default, low, high = (float(row[part]) for part in ("default", "low", "high"))
        setting = Setting(str(row["setting"]), str(row["unit"]), default, low, high, str(row["source"]))
        grouped[str(row["treatment"])] = (*grouped.get(str(row["treatment"]), ()), setting)
    return grouped


SETTINGS: Final[Mapping[str, tuple[Setting, ...]]] = _read()


def settle(
    treatment: str, own: tuple[Setting, ...], given: Mapping[str, npt.ArrayLike], size: int
) -> dict[str, Floats]:
    """Check what a caller sets, and spread it and the defaults over the waters.

    Parameters
    ----------
    treatment : its name, for the message.
    own : what can be set on it.
    given : name -> one value, or one per water.
    size : number of waters.

    Returns
    -------
    name -> (n,) values of every setting.

    Raises
    ------
    KettlestoneError : an unknown name, a value that is missing or out of range, or too many or few of them.
    """
    unknown = sorted(set(given) - {setting.name for setting in own})
    if unknown:
        known = ", ".join(setting.name for setting in own) or "nothing"
        raise KettlestoneError(f"{treatment}: {unknown[0]} cannot be set; what can be set: {known}")
    return {setting.name: _values(treatment, setting, given, size) for setting in own}


def _values(treatment: str, setting: Setting, given: Mapping[str, npt.ArrayLike], size: int) -> Floats:
    values = floats(given.get(setting.name, setting.default))
    if values.shape not in ((), (1,), (size,)):
        raise KettlestoneError(
            f"{treatment}: {setting.name} has {values.size} values for {size} waters; give one, or one per water"
        )
    missing_allowed = np.isnan(setting.default)
    outside = ~((values >= setting.low) & (values <= setting.high)) & ~(np.isnan(values) & missing_allowed)
    if outside.any():
        shown, allowed = values[outside].flat[0], f"{setting.low:g} to {setting.high:g} ({setting.unit})"
        raise KettlestoneError(f"{treatment}: {setting.name} is {shown:g}; give {allowed}")
    return np.broadcast_to(values, (size,))
