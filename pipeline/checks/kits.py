"""Drop kits: whether the value follows from the count, and how far one count can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.registry import check

if TYPE_CHECKING:
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class KitLimits:
    """Limits of the drop-kit checks; common practice of the trade [CP] unless a key says otherwise."""

    agreement_drops: float = 0.6  # half a drop and the rounding of the typed value [CP]
    fewest_drops: float = 3.0  # at one or two drops only the interval is an honest statement [CP]
    larger_sample: float = 4.0  # times the volume: a quarter of the step [CP]
    volume_tolerance: float = 0.10  # a ratio of 0.45-0.55 or 1.8-2.2 points at the volume [CP]
    usual_volumes: tuple[float, float] = (0.25, 10.0)  # used / nominal that kits are run at [CP]
    repeat_drops: float = 1.0  # two careful counts agree within one drop [CP]
    repeat_relative: float = 0.10  # or within 10 % [CP]
    bias_pairs: int = 5  # pairs with a laboratory before a habit is named [CP]
    bias_drops: tuple[float, float] = (-1.3, -0.7)  # one drop missed, ± 0.3 [CP]


# mg/L as CaCO3 in one drop of the kits in common use [CP]; degrees from their definitions [DIN19640, GRAIN].
OTHER_KITS: Final[dict[str, float]] = {
    "a kit of 1 German degree per drop (17.85 mg/L)": 17.848,
    "a kit of 1 French degree per drop (10 mg/L)": 10.0,
    "a kit of 1 US grain per gallon per drop (17.12 mg/L)": 17.118,
    "a kit of 1 English degree per drop (14.25 mg/L)": 14.254,
    "a kit of 20 mg/L per drop": 20.0,
    "a kit of 50 mg/L per drop": 50.0,
}
_COUNT_COLUMNS: Final = (
    "sample_id",
    "analyte",
    "line",
    "drops",
    "degree_per_drop",
    "nominal_ml",
    "used_ml",
)
LABORATORY: Final = ("laboratory", "burette", "photometer")


def counts(readings: pd.DataFrame) -> pd.DataFrame:
    """Take the drop counts out of the readings, with the worth of one drop as used.

    Returns
    -------
    (k, …) frame: `sample_id analyte line drops degree ratio step counted used_ml nominal_ml`; `step` and
    `counted` = drops · step [mg/L as CaCO3], `ratio` = nominal / used volume (1 where none is recorded).
    """
    columns = [name for name in _COUNT_COLUMNS if name in readings]
    is_count = (readings["form"] == "drops").to_numpy() if "form" in readings else np.zeros(len(readings), bool)
    chosen = readings.loc[is_count, columns]
    nominal, used = record.number(chosen, "nominal_ml"), record.number(chosen, "used_ml")
    ratio = (nominal / used).fillna(1.0)
    degree, drops = record.number(chosen, "degree_per_drop"), record.number(chosen, "drops")
    return pd.DataFrame(
        {
            "sample_id": chosen["sample_id"],
            "analyte": chosen["analyte"],
            "line": chosen["line"],
            "drops": drops,
            "degree": degree,
            "ratio": ratio,
            "step": degree * ratio,
            "counted": drops * degree * ratio,
            "used_ml": used.fillna(nominal),
            "nominal_ml": nominal,
        }
    )


@check(
    "count-vs-value",
    title="The typed value is the drop count times the worth of one drop",
    source="CP",
    severity="hold",
    unit="mg/L as CaCO3",
    message="{analyte}: {drops:0} drops × {step:2} mg/L = {expected:1}, but {observed:1} was typed; "
    "{alternative}. Ask which kit and how many mL were used.",
)
def count_vs_value(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Compare a typed value with the count typed beside it.

    The multiplication is the step where most kit errors are born: another kit's factor, a sample volume
    forgotten or applied twice, the count copied into the value.

    Parameters
    ----------
    samples : readings of form `drops` and `typed`, paired by sample, quantity and line.
    limits : ``kits.agreement_drops`` [drops].

    Returns
    -------
    one row per pair; `observed` the typed value, the range around `expected` [mg/L as CaCO3].

    Notes
    -----
    expected = n · d · Vnominal / Vused [CP]; allowed: 0.6 of one drop. `alternative` names the other
    factor or volume that gives the typed number within 1 % or its rounding, `alternative_value` that number.
    """
    readings = samples.readings
    counted = counts(readings)
    is_typed = (readings["form"] == "typed").to_numpy() if "form" in readings else np.zeros(len(readings), bool)
    typed = readings.loc[is_typed, ["sample_id", "analyte", "line", "value"]]
    pairs = typed.merge(counted, on=["sample_id", "analyte", "line"], how="inner")
    expected, allowed = pairs["counted"], limits.kits.agreement_drops * pairs["step"]
    slip, value = _other_multiplication(pairs)
    result = pd.DataFrame(
        {
            "sample_id": pairs["sample_id"],
            "analyte": pairs["analyte"],
            "observed": pairs["value"],
            "low": expected - allowed,
            "high": expected + allowed,
            "expected": expected,
            "drops": pairs["drops"],
            "step": pairs["step"],
            "used_ml": pairs["used_ml"],
            "nominal_ml": pairs["nominal_ml"],
            "slip": slip,
            "alternative_value": value,
        }
    )
    wrong = record.outside(result)
    alternative = record.worded(
        result,
        {
            "{alternative_value:1} would fit if {slip}": wrong & value.notna(),
            "no usual slip gives this number": wrong & value.isna(),
        },
    )
    return result.drop(columns="slip").assign(alternative=alternative)


def _other_multiplication(pairs: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Find the slip that gives the typed number: its words and the number it gives."""
    drops, degree, ratio = (pairs[name].to_numpy() for name in ("drops", "degree", "ratio"))
    slips: dict[str, np.ndarray] = {
        "the sample volume was forgotten": drops * degree,
        "the sample volume was applied twice": drops * degree * ratio**2,
        "the sample volume was applied upside down": drops * degree / ratio,
        "the count was typed as the value": drops,
        **{f"{kit} was used": drops * worth * ratio for kit, worth in OTHER_KITS.items()},
        **{f"{kit} was used and the volume forgotten": drops * worth for kit, worth in OTHER_KITS.items()},
    }
    given = np.column_stack(list(slips.values()))
    gap = np.abs(given - pairs["value"].to_numpy()[:, None])
    gap = np.where(gap <= np.maximum(0.6, 0.01 * given), gap, np.inf)
    best = gap.argmin(axis=1) if len(pairs) else np.zeros(0, dtype="int64")
    row = np.arange(len(pairs))
    fits = np.isfinite(gap[row, best])
    words = pd.Categorical.from_codes(
        np.where(fits, best, len(slips)), categories=pd.Index([*slips, "no usual slip found"])
    )
    return pd.Series(words, index=pairs.index), pd.Series(np.where(fits, given[row, best], np.nan), index=pairs.index)


@check(
    "drop-resolution",
    title="Enough drops were counted for the value to mean something",
    source="JCGM100",
    severity="note",
    unit="drops",
    message="{analyte}: {observed:0} drop(s) of {step:2} mg/L: the water holds between {interval_low:1} "
    "and {interval_high:1} mg/L as CaCO3. Repeat with {suggested_ml:0} mL for finer steps.",
)
def drop_resolution(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Name the interval a count of very few drops stands for.

    The true value lies between the last two drops; with one or two drops that is half the value or more,
    and a colour at once means "less than one drop", not zero.

    Parameters
    ----------
    samples : readings of form `drops`.
    limits : ``kits.fewest_drops`` [drops], ``kits.larger_sample`` [-].

    Returns
    -------
    one row per count; `observed` the count, `interval_low`, `interval_high` [mg/L as CaCO3].

    Notes
    -----
    interval = ((n − 1) · step, n · step], never below 0; step = d · Vnominal / Vused: a rectangular
    distribution of one step [JCGM100].
    """
    counted = counts(samples.readings)
    drops = counted["drops"]
    return pd.DataFrame(
        {
            "sample_id": counted["sample_id"],
            "analyte": counted["analyte"],
            "observed": drops,
            "low": limits.kits.fewest_drops,
            "high": np.nan,
            "step": counted["step"],
            "interval_low": np.maximum(drops - 1, 0) * counted["step"],
            "interval_high": np.maximum(drops, 1) * counted["step"],
            "suggested_ml": limits.kits.larger_sample * counted["used_ml"],
            "alternative": "",
        }
    )
