"""Burettes: whether the typed value follows from the volumes beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.columns import outside, worded
from pipeline.checks.registry import check
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class BuretteLimits:
    """Limits of the check of volumes against the typed value."""

    volume_relative: float = 0.01  # k = 2, of pipette and titre together: half a per cent each, rounded up [CP]
    rounding: float = 0.6  # mg/L: half a digit of a value typed as a whole number [CP]


# Slips at the desk that give another value from the same volumes [CP].
_SLIPS: Final[dict[str, float]] = {
    "moles of EDTA were taken for equivalents (half)": 0.5,
    "equivalents were taken for moles (double)": 2.0,
    "a sample of 50 mL was taken for 100 mL": 0.5,
    "a sample of 100 mL was taken for 50 mL": 2.0,
    "it was typed in °dH": 1.0 / 17.848,
    "it was typed in °f": 0.1,
    "a decimal sign was lost": 10.0,
}
_MOST_DIGITS: Final = 5  # of a titration in tenths of mg/L
_SLIP_WITHIN: Final = 0.02  # of the number that a slip gives


@check(
    "volume-vs-value",
    title="The typed value is what the burette's volumes give",
    source="CP",
    limits=BuretteLimits,
    severity="hold",
    unit="mg/L",
    message="{analyte}: the volumes give {expected:1} ± {allowed:1} mg/L, but {observed:1} was typed; {alternative}. "
    "Ask for titrant, sample volume and blank.",
)
def volume_vs_value(samples: SampleTable, limits: BuretteLimits) -> Cases:
    """Compare a typed value with the burette volumes typed beside it.

    The volumes are what was seen; the value is what was made of them, with a factor from memory: a mole of EDTA taken
    for an equivalent, the usual sample volume instead of the one that was taken.

    Parameters
    ----------
    samples : readings of form `titrant_ml` and `typed`, paired by sample, quantity and line.
    limits : ``volume_relative`` [-], ``rounding`` [mg/L].

    Returns
    -------
    one row per pair; `observed` the typed value, the range around `expected` [mg/L].

    Notes
    -----
    allowed² = U(burette)² + (1 % of the value)² + rounding², k = 2 [JCGM100]. `alternative` names the slip that gives
    the typed number within 2 %, or the number that two digits of it make the other way round.
    """
    pairs = _pairs(samples)
    value, uncertainty = (record.as_numbers(samples.readings, name).to_numpy() for name in ("value", "uncertainty"))
    typed, volume = pairs["typed"].to_numpy(), pairs["volume"].to_numpy()
    expected, observed = value[volume], value[typed]
    allowed = np.sqrt(uncertainty[volume] ** 2 + (limits.volume_relative * expected) ** 2 + limits.rounding**2)
    bottom, top = expected - allowed, expected + allowed
    wrong = outside(observed, bottom, top)
    slip, fits = _slips(expected, observed)
    turned = turned_digits(observed, bottom, top)
    templates = {
        "it would fit if {slip}": wrong & fits,
        "it would fit if two digits changed places ({turned:1})": wrong & ~fits & ~np.isnan(turned),
        "no usual slip gives this number": wrong & ~fits & np.isnan(turned),
    }
    return {
        "place": pairs["place"].to_numpy(),
        "analyte": samples.once(record.said, "analyte").take(volume),
        "observed": observed,
        "low": bottom,
        "high": top,
        "expected": expected,
        "allowed": allowed,
        "alternative": worded(len(pairs), {"slip": slip, "turned": turned}, templates),
    }


def _pairs(samples: SampleTable) -> pd.DataFrame:
    """Pair every typed value with the volume of the same sample, quantity and line: `place typed volume`."""
    form = samples.once(record.said, "form")
    place, analyte = samples.once(record.positions), samples.once(record.said, "analyte").codes
    line = samples.readings["line"].to_numpy()
    keys = ["place", "analyte", "line"]
    typed, volume = (
        pd.DataFrame({"place": place[rows], "analyte": analyte[rows], "line": line[rows], name: rows})
        for name, rows in (
            ("typed", np.flatnonzero(form.isin(["typed"]))),
            ("volume", np.flatnonzero(form.isin(["titrant_ml"]))),
        )
    )
    return typed.merge(volume, on=keys)


def turned_digits(observed: Floats, bottom: Floats, top: Floats) -> Floats:
    """Give the number within the range that two neighbouring digits of a typed one make, missing where none do."""
    tenths = np.round(np.nan_to_num(observed) * 10.0)
    found = np.full(len(observed), np.nan)
    for place in range(_MOST_DIGITS - 1):
        low = 10.0**place
        second, first = np.floor(tenths / low) % 10.0, np.floor(tenths / (10.0 * low)) % 10.0
        other = (tenths + (second - first) * 9.0 * low) / 10.0
        found = np.where(np.isnan(found) & (first != second) & (other >= bottom) & (other <= top), other, found)
    return found


def _slips(expected: Floats, observed: Floats) -> tuple[TextColumn, np.ndarray]:
    """Find the slip that gives the typed number, and tell where one does."""
    given = np.abs(np.outer(expected, list(_SLIPS.values())) / observed[:, None] - 1.0)
    given = np.where(np.isfinite(given), given, np.inf)
    best = given.argmin(axis=1) if len(observed) else np.zeros(0, dtype="int64")
    return TextColumn(best, tuple(_SLIPS)), given[np.arange(len(observed)), best] <= _SLIP_WITHIN
