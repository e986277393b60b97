"""Several readings of one quantity in one sample: kit, meter and laboratory side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.checks import record, slips
from pipeline.checks.registry import check
from schemas.columns import ANALYTES
from schemas.methods import METHOD_RANK

if TYPE_CHECKING:
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class AgreementLimits:
    """Limits of the agreement of readings."""

    left_out: tuple[str, ...] = ("temperature", "tds")  # change with the place, or with the method [CP]
    drifting: tuple[str, ...] = ("ph", "free_chlorine", "total_chlorine")  # change in the bottle [CP]
    ratio_tolerance: float = 0.06  # how close a ratio must come to a known slip [CP]
    tds_tolerance: float = 0.03  # how close a conductivity must come to the TDS it was exchanged with [CP]


def pairs(samples: SampleTable, left_out: tuple[str, ...]) -> pd.DataFrame:
    """Set the preferred reading of each repeated quantity beside the others of the same sample.

    A value typed beside its own count, and two counts with the same kit, have checks of their own.

    Returns
    -------
    (k, …) frame: `sample_id analyte used other used_method other_method used_u other_u`; a reading below
    its limit stands at half the limit ± half the limit.
    """
    readings = samples.readings
    sample, analyte = record.positions(samples, readings), record.analyte_codes(readings)
    cell = sample * len(ANALYTES) + analyte
    counted = (sample >= 0) & (analyte >= 0) & ~np.isin(analyte, [list(ANALYTES).index(code) for code in left_out])
    if "form" in readings:
        counted &= (readings["form"] != "typed").to_numpy()
    if "counts" in readings:
        counted &= readings["counts"].to_numpy()
    size = np.bincount(cell[counted], minlength=1) if counted.any() else np.zeros(1, dtype="int64")
    several = counted & (size[np.where(counted, cell, 0)] > 1)
    chosen = _best_first(readings.loc[several].assign(cell=cell[several]))
    return _beside_best(chosen)


def _best_first(chosen: pd.DataFrame) -> pd.DataFrame:
    limit = record.number(chosen, "limit").where(record.text(chosen, "qualifier") == "<")
    below = record.number(chosen, "value").isna() & limit.notna()
    chosen = chosen.assign(
        value=record.number(chosen, "value").where(~below, limit / 2),
        uncertainty=record.number(chosen, "uncertainty").where(~below, limit / 2),
        method=record.text(chosen, "method"),
        step=record.number(chosen, "degree_per_drop")
        * (record.number(chosen, "nominal_ml") / record.number(chosen, "used_ml")).fillna(1.0),
    )
    rank = chosen["method"].map(METHOD_RANK).fillna(len(METHOD_RANK))
    return (
        chosen.assign(rank=rank)
        .dropna(subset=["value", "uncertainty"])
        .sort_values(["cell", "rank", "uncertainty", "line"], kind="stable")
    )


def _beside_best(chosen: pd.DataFrame) -> pd.DataFrame:
    names = ["value", "method", "uncertainty", "step"]
    first = ~chosen.duplicated("cell")
    best = chosen.loc[first, ["cell", *names]].rename(columns={name: f"used_{name}" for name in names})
    others = chosen.loc[~first, ["sample_id", "analyte", "cell", *names]]
    beside = others.merge(best, on="cell", how="left")
    same_kit = (beside["step"] - beside["used_step"]).abs() < 1e-6  # noqa: PLR2004 -- equal but for rounding
    return beside[~same_kit].reset_index(drop=True)


def _compared(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    beside = pairs(samples, limits.readings_agree.left_out)
    return beside.assign(
        difference=beside["value"] - beside["used_value"],
        allowed=np.hypot(beside["uncertainty"], beside["used_uncertainty"]),
    )


@check(
    "readings-disagree",
    title="Several readings of one quantity agree within their uncertainties",
    source="JCGM100",
    severity="hold",
    message="{analyte}: {used_method} {used:2} and {other_method} {other:2} differ by {observed:2} where "
    "±{high:2} is allowed; {alternative}.",
)
def readings_disagree(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Compare the readings of one quantity in one sample with each other.

    Two methods that disagree by more than both admit mean that one of them is not about this water.

    Parameters
    ----------
    samples : all readings with `value` (or `limit`), `uncertainty` (k = 2) and `method`.
    limits : ``readings_agree``.

    Returns
    -------
    one row per reading beside the preferred one; `observed` other − used, in the unit of the quantity.

    Notes
    -----
    allowed = √(U1² + U2²), both with k = 2 [JCGM100]. pH and chlorine change in the bottle: a
    difference there is a note and the reading on site is to be preferred [CP]. The slip whose ratio
    comes closest is named, among those that can happen to this quantity.
    """
    beside = _compared(samples, limits)
    drifts = beside["analyte"].isin(limits.readings_agree.drifting)
    quotient = _positive(beside["value"]) / _positive(beside["used_value"])
    ratio = quotient.where(quotient >= 1, 1 / quotient)
    fits = slips.closest(beside["analyte"], ratio, limits.readings_agree.ratio_tolerance)
    exchanged = _is_tds(samples, beside, limits.readings_agree.tds_tolerance)
    return pd.DataFrame(
        {
            "sample_id": beside["sample_id"],
            "analyte": beside["analyte"],
            "observed": beside["difference"],
            "low": -beside["allowed"],
            "high": beside["allowed"],
            "severity": record.first_that_holds(beside.index, {"note": drifts, "hold": ~drifts}),
            "used": beside["used_value"],
            "used_method": beside["used_method"],
            "other": beside["value"],
            "other_method": beside["method"],
            "ratio": ratio,
            "alternative": record.worded(
                beside.assign(fits=fits),
                {
                    "no usual slip gives this ratio, repeat the worse of the two": ~drifts,
                    "the ratio fits {fits}": ~drifts & (fits != ""),
                    "one of them is the TDS of this sample: the two were exchanged or copied": exchanged,
                    "it changes in the bottle, prefer the reading on site": drifts,
                },
            ),
        }
    )


def _is_tds(samples: SampleTable, beside: pd.DataFrame, tolerance: float) -> np.ndarray:
    """Tell which of two conductivities is the number that stands as TDS in the same sample."""
    tds = record.of_sample(samples, beside, samples.measured["tds_mg_l"])
    same = [(beside[name] / tds - 1).abs() <= tolerance for name in ("value", "used_value")]
    return ((beside["analyte"] == "conductivity") & (same[0] | same[1])).to_numpy(dtype="bool")


def _positive(values: pd.Series) -> pd.Series:
    return values.where(values > 0)


@check(
    "several-readings",
    title="Each quantity was read once",
    source="CP",
    severity="note",
    message="{analyte}: {used_method} {used:2} is used, {other_method} {other:2} stands beside it; they "
    "agree within ±{allowed:2}.",
)
def several_readings(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Say which of several agreeing readings the summary uses.

    Nobody should have to wonder where the other number went.

    Parameters
    ----------
    samples : as for ``readings-disagree``.
    limits : ``readings_agree``.

    Returns
    -------
    one row per reading beside the preferred one; `observed` is its distance [in the unit of the quantity].

    Notes
    -----
    The preferred reading follows the order of ``schemas.methods`` [CP]. Equal numbers need no remark.
    """
    beside = _compared(samples, limits)
    gap = beside["difference"].abs()
    return pd.DataFrame(
        {
            "sample_id": beside["sample_id"],
            "analyte": beside["analyte"],
            "observed": gap,
            "low": np.nan,
            "high": np.where(gap <= beside["allowed"], 0.0, np.nan),
            "used": beside["used_value"],
            "used_method": beside["used_method"],
            "other": beside["value"],
            "other_method": beside["method"],
            "allowed": beside["allowed"],
            "alternative": "",
        }
    )
