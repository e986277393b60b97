"""The meter knows nothing of the titrations: the ions must carry the conductivity that was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.checks import evidence
from pipeline.checks.columns import either, worded
from pipeline.checks.registry import check
from pipeline.chemistry.conductance import carried
from pipeline.chemistry.equivalents import (
    MG_CACO3_PER_MEQ,
    anion_sum,
    cation_sum,
    column,
    ion_balance_percent,
    milliequivalents,
)
from pipeline.reference import records
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.checks.columns import CaseColumn, Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class ConductivityFromIonsLimits:
    """Limits of the conductivity that follows from the ions."""

    relative: float = 0.08  # model 4 %, meter 2 %, temperature compensation 2 % [SCCOMP]
    note_within: float = 0.15  # of the expected conductivity: beyond the uncertainty, but common in field data [CP]
    absolute_us_cm: float = 2.0  # what carbon dioxide and ions nobody looks for carry in a water of few salts [CP]
    meter_share: float = 0.04  # of a conductivity reading, already inside the 8 % [CP]
    balanced_percent: float = 2.0  # below it the charges say nothing about a side [APHA1030]


_MEASURED_ION: Final = ("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate", "nitrate")
_LAMBDA: Final[dict[str, float]] = {row["ion"]: row["equivalent_conductivity"] for row in records("conductance_sm2510")}
_SUSPECTS: Final = (
    "a cation is missing or too low",
    "an anion is missing or too low",
    "an anion is too high",
    "a cation is too high",
    "charges agree: a salt was not measured, or the conductivity is too high",
    "charges agree: the conductivity is too low, or the ions belong to another bottle",
)
# Measured over expected where one slip of the unit explains it, and what would then fit.
_SLIPS: Final = ((0.1, "mS/m taken for µS/cm: {} µS/cm would fit", 10.0),
                 (0.001, "mS/cm taken for µS/cm: {} µS/cm would fit", 1000.0),
                 (0.5, "a TDS reading (factor 0.5) taken for conductivity: {} µS/cm would fit", 2.0),
                 (10.0, "µS/cm taken for mS/m: {} µS/cm would fit", 0.1))  # fmt: skip


@check(
    "conductivity-from-ions",
    title="The conductivity read is the one its ions carry",
    source="CRC97",
    limits=ConductivityFromIonsLimits,
    severity="hold",
    unit="uS/cm",
    message="Conductivity {observed:0} µS/cm, the ions carry {expected:0} ({low:0} to {high:0}); "
    "ion balance {balance_percent:1} %: {suspect}.{alternative}",
    relation=(
        "conductivity",
        "calcium",
        "magnesium",
        "sodium",
        "potassium",
        "bicarbonate",
        "alkalinity",
        "chloride",
        "sulfate",
        "nitrate",
    ),
)
def conductivity_from_ions(samples: SampleTable, limits: ConductivityFromIonsLimits) -> Cases:
    """Compare the conductivity read with the one that follows from the ions.

    It is the strongest single test of a full analysis, and together with the ion balance it names the
    side of the mistake: too few charges and too little conductivity is an ion nobody measured.

    Parameters
    ----------
    samples : the filled table; calcium, magnesium, sodium, alkalinity, chloride and sulfate are needed.
    limits : see ``ConductivityFromIonsLimits``.

    Returns
    -------
    one row per sample: ``observed`` [µS/cm at 25 °C] where it could be evaluated, ``low``, ``high``, ``expected``,
    ``second_opinion``, ``balance_percent`` (missing where a sum is), ``suspect``, ``alternative``, ``analyte``.

    Notes
    -----
    Expected from molal conductivities of the free ions, pairs taken off [CRC97, PHREEQC3]; allowed ± 8 % of it
    [SCCOMP] and 2 µS/cm, joined as root of squares with the uncertainty of the ions, each times its limiting equivalent
    conductivity [APHA2510], and of a meter that states more than 4 %. Above, also what the pairs hold back: the
    published constants of calcium and magnesium differ by up to that [PHREEQC3, PHREEQC38]. Below, where the
    alkalinity was counted the whole of the last drop: a count is read at the upper end of its interval. Within 15 % of
    the expected one it is a note.
    """
    model = carried(samples.filled)
    expected = model.conductivity
    observed = samples.measured["conductivity_us_cm_25c"].to_numpy()
    computed = evidence.obtained(samples, "conductivity_us_cm_25c", "calculated", "derived")
    allowed = _allowed(samples, expected, observed, limits)
    below = np.hypot(allowed, _within_a_drop(samples))
    balance = floats(ion_balance_percent(cation_sum(samples.filled), anion_sum(samples.filled)))
    return {
        "observed": np.where(computed | np.isnan(expected), np.nan, observed),
        "low": expected - below,
        "high": expected + np.hypot(allowed, model.held_by_pairs),
        "severity": either(np.abs(observed - expected) <= limits.note_within * expected, "note", "hold"),
        "expected": expected,
        "second_opinion": model.second_opinion,
        "balance_percent": balance,
        "suspect": _suspect(observed > expected, balance, limits.balanced_percent),
        "alternative": _slip(observed, expected, limits.relative),
        "analyte": "conductivity",
    }


def _allowed(samples: SampleTable, expected: Floats, observed: Floats, limits: ConductivityFromIonsLimits) -> Floats:
    """Half-width of the acceptable range [µS/cm]."""
    spread = samples.uncertainty
    variance = np.square(limits.relative * expected) + limits.absolute_us_cm**2
    for ion in _MEASURED_ION:
        variance += np.square(_LAMBDA[ion] * np.nan_to_num(milliequivalents(spread, ion).to_numpy()))
    alkalinity = column(spread, "alkalinity_mg_l_caco3").to_numpy() / MG_CACO3_PER_MEQ
    variance += np.square(_LAMBDA["bicarbonate"] * np.nan_to_num(alkalinity))
    meter = np.nan_to_num(column(spread, "conductivity_us_cm_25c").to_numpy())
    variance += np.square(np.where(meter > limits.meter_share * observed, meter, 0.0))
    return floats(np.sqrt(variance))


def _within_a_drop(samples: SampleTable) -> Floats:
    """Give what a counted alkalinity may carry less than its reading: as far as the last drop reaches, beyond its U."""
    reading, low, spread = (
        column(frame, "alkalinity_mg_l_caco3").to_numpy()
        for frame in (samples.filled, samples.low, samples.uncertainty)
    )
    reach, stated = np.nan_to_num(reading - low), np.nan_to_num(spread)
    beyond = np.sqrt(np.maximum(np.square(reach) - np.square(stated), 0.0))
    return floats(_LAMBDA["bicarbonate"] * beyond / MG_CACO3_PER_MEQ)


def _suspect(too_high: np.ndarray, balance: Floats, balanced: float) -> TextColumn:
    """Name the side: conductivity above or below, charges positive or negative."""
    balanced_or_unknown = ~(np.abs(balance) > balanced)
    negative = balance < 0.0
    code = np.select(
        [balanced_or_unknown & too_high, balanced_or_unknown, too_high & negative, too_high, negative],
        [4, 5, 0, 1, 2],
        default=3,
    )
    return TextColumn(code, _SUSPECTS)


def _slip(observed: Floats, expected: Floats, relative: float) -> CaseColumn:
    """Offer the reading that one slip of the unit would explain."""
    ratio = observed / expected
    numbers = {f"by_{place}": np.round(observed * factor) for place, (_, _, factor) in enumerate(_SLIPS)}
    templates = {
        " " + words.format(f"{{by_{place}:0}}") + ".": np.abs(ratio / share - 1.0) <= relative
        for place, (share, words, _) in enumerate(_SLIPS)
    }
    return worded(len(observed), numbers, templates)
