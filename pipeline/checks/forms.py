"""Which form an unclear number counts: what the rest of the record says of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks.columns import worded
from pipeline.checks.ion_balance import IonBalanceLimits, balance
from pipeline.chemistry.conductance import carried
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_MAGNESIUM,
    CHARGE,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
)
from pipeline.reference import records
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.columns import CaseColumn
    from pipeline.normalise.sample_table import SampleTable

_TIMES: Final = 20.0  # times likelier: strong evidence [JEFFREYS]
_TELLS: Final = 1.0  # log odds from which a row says anything [JEFFREYS]
_CORRELATION: Final = 0.2  # of what the models do not know between the rows of a column [CP]
_BALANCE_MODEL: Final = 0.008  # of the sum of charges, k = 1 [CP]
_CONDUCTIVITY_MODEL: Final = 0.05  # of a conductivity, model and meter, k = 1 [SCCOMP]
_HARDNESS_MODEL: Final = 0.03  # two titrations, k = 1 [CP]
_LAMBDA: Final[dict[str, float]] = {row["ion"]: row["equivalent_conductivity"] for row in records("conductance_sm2510")}
_PER_MG: Final = {  # meq in a mg of the column, and the sign of its charge
    **{
        ion: (CHARGE[ion] / MOLAR_MASS[ion], ion)
        for ion in ("calcium", "magnesium", "sulfate", "nitrate", "bicarbonate")
    },
    "alkalinity": (-1.0 / MG_CACO3_PER_MEQ, "bicarbonate"),
    "total_hardness": (1.0 / MG_CACO3_PER_MEQ, "calcium"),
}
_HARDNESS_PER_MG: Final = {"calcium": CACO3_PER_CALCIUM, "magnesium": CACO3_PER_MAGNESIUM}


@dataclass(frozen=True)
class Settlement:
    """What records say of (k,) unclear numbers: balances [%] as read and in the other form, odds for as read."""

    balance: Floats
    other_balance: Floats
    times_likelier: Floats
    settled: Flags

    def words(self) -> CaseColumn:
        """Say what was compared, and what to do."""
        numbers = {"balance": np.round(self.balance, 1) + 0.0, "other": np.round(self.other_balance, 1) + 0.0}
        compared = "Ion balance {balance:1} % as read, {other:1} % otherwise"
        known = ~np.isnan(self.balance + self.other_balance)
        templates = {
            "Ask what the number counts.": ~self.settled & ~known,
            compared + ". Ask what the number counts.": ~self.settled & known,
            "The rest of the record fits the number as read.": self.settled & ~known,
            compared + ": the record settles it.": self.settled & known,
        }
        return worded(len(self.balance), numbers, templates)


def settlement(samples: SampleTable, place: Places, analyte: Places, value: Floats, factor: Floats) -> Settlement:
    """Weigh numbers as they were read against their other form, by all that the rest of the record says.

    Parameters
    ----------
    samples : the filled table.
    place, analyte : (k,) position of the sample, and place of the quantity in ANALYTES (or past its end).
    value : (k,) as read, in the canonical unit.
    factor : (k,) what makes the other form of it; missing where there is none.

    Returns
    -------
    Settlement. Charges, conductivity and hardness are compared as far as they were read; "as read" is settled where it
    is at least 20 times likelier, by the record or by all rows of its column together.

    Notes
    -----
    ln odds = ½ Σ (z²_other − z²_read) [JEFFREYS]; both forms count as equally likely before. Where neither fits within
    a standard uncertainty, something else is wrong too, and all are taken as so much larger. n rows count as
    n/(1 + 0.2 (n − 1)).
    """
    names = [*ANALYTES, ""]
    per = np.array([_PER_MG.get(name, (np.nan, ""))[0] for name in names])[analyte]
    mobile = np.array([_LAMBDA[_PER_MG[name][1]] if name in _PER_MG else np.nan for name in names])[analyte]
    of_hardness = np.array([_HARDNESS_PER_MG.get(name, np.nan) for name in names])[analyte]
    more = value * (factor - 1.0)
    gaps = [
        _charges(samples, place, per * more),
        _conductivities(samples, place, mobile * np.abs(per) * more),
        _hardness(samples, place, of_hardness * more),
    ]
    odds = _odds(gaps)
    odds = _of_column(odds, samples.fact("file_sha256").codes[place] * len(names) + analyte)
    charges = samples.once(balance, IonBalanceLimits())
    shift = per * more
    total = charges.cations + charges.anions
    with np.errstate(divide="ignore", invalid="ignore"):
        percent = 100.0 * (charges.cations - charges.anions)[place] / total[place]
        other = 100.0 * ((charges.cations - charges.anions)[place] + shift) / (total[place] + np.abs(per) * more)
    return Settlement(percent, other, np.exp(np.clip(odds, -50.0, 50.0)), odds >= np.log(_TIMES))


def _odds(gaps: list[tuple[Floats, Floats]]) -> Floats:
    """Give the log odds for as read; where neither form fits, what else is wrong widens every uncertainty."""
    total = np.zeros(len(gaps[0][0]))
    for read, other in gaps:
        wider = np.maximum(np.fmin(np.abs(read), np.abs(other)), 1.0)
        total += np.nan_to_num((other**2 - read**2) / wider**2) / 2.0
    return total


def _of_column(odds: Floats, column: Places) -> Floats:
    """Let the rows of one column speak together, as they hold one form; one that contradicts them speaks for itself."""
    code = np.unique(column, return_inverse=True)[1]
    telling = np.abs(odds) >= _TELLS
    count = np.maximum(np.bincount(code, weights=telling), 1.0)
    together = np.bincount(code, weights=odds) / (1.0 + _CORRELATION * (count - 1.0))
    own = (odds <= -_TELLS) | (odds >= together[code])
    return np.asarray(np.where(own, odds, together[code]), dtype="float64")


def _charges(samples: SampleTable, place: Places, shift: Floats) -> tuple[Floats, Floats]:
    """Give the charge balance in standard uncertainties, as read and with a shift [meq/L]."""
    charges = samples.once(balance, IonBalanceLimits())
    gap = (charges.cations - charges.anions)[place]
    spread = np.hypot(charges.allowed / 2.0, _BALANCE_MODEL * (charges.cations + charges.anions))[place]
    return gap / spread, (gap + shift) / spread


def _conductivities(samples: SampleTable, place: Places, shift: Floats) -> tuple[Floats, Floats]:
    """Give the conductivity less what the ions carry in standard uncertainties, as read and with a shift [µS/cm]."""
    model = samples.once(_carried)[place]
    read = samples.measured["conductivity_us_cm_25c"].to_numpy()[place]
    spread = _CONDUCTIVITY_MODEL * model
    return (read - model) / spread, (read - model - shift) / spread


def _carried(samples: SampleTable) -> Floats:
    return carried(samples.filled).conductivity


def _hardness(samples: SampleTable, place: Places, shift: Floats) -> tuple[Floats, Floats]:
    """Give total hardness less that of calcium and magnesium in standard uncertainties, as read and with a shift."""
    columns = ("total_hardness_mg_l_caco3", "calcium_mg_l", "magnesium_mg_l")
    total, calcium, magnesium = (samples.measured[name].to_numpy()[place] for name in columns)
    gap = total - CACO3_PER_CALCIUM * calcium - CACO3_PER_MAGNESIUM * magnesium
    spread = _HARDNESS_MODEL * total
    return gap / spread, (gap - shift) / spread
