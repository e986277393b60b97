"""How likely two honest visits are to read the same figures, from how finely each figure was read."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence, record
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags, Floats
    from pipeline.normalise.sample_table import SampleTable


# What a figure follows from says nothing more: (figure, the ones that make it).
_COMPUTED_FROM: Final = (
    ("tds", ("conductivity",)),
    ("bicarbonate", ("alkalinity",)),
    ("total_hardness", ("calcium", "magnesium")),
)
_DROP_SPREAD: Final = 0.7  # drops that two counts of one water differ by, one standard deviation [CP]
_SILENT: Final = ("strip", "label", "calculated", "derived")  # ties in these are no coincidence
_NO_DIGIT: Final = re.compile(r"[^0-9]")
_BIN: Final = 2.0 * np.sqrt(np.pi)


def chance(samples: SampleTable, columns: list[str], spread: float, spread_ph: float) -> Floats:
    """Estimate how often two visits to a steady water agree in every figure of a record.

    A figure read in steps of r falls on the same step twice, if it varies between visits by a standard
    deviation s, with the probability r/(2·√π·s), and never more than 1: the difference of the two has the
    deviation √2·s and must stay within one step. Independent figures multiply. Drops, pH and conductivity
    together leave about one in a thousand, which a store of visits meets every week; six laboratory
    figures of three digits leave one in a thousand million.

    Parameters
    ----------
    samples : the records; `readings` with `raw_text`, else the digits of the value are taken.
    columns : the figures to compare, canonical columns.
    spread : s of a figure between visits as a share of it [-].
    spread_ph : the same of pH [pH].

    Returns
    -------
    (n,) probability. Zeros at the end of a figure count as rounding, a TDS beside a conductivity, a
    bicarbonate beside an alkalinity and a hardness beside calcium and magnesium as no figure of their own.
    """
    steps = _steps(samples)
    share = np.ones(len(samples))
    measured = samples.measured
    for name in columns:
        code = next(analyte.code for analyte in ANALYTES.values() if analyte.column == name)
        value = measured[name].to_numpy(dtype="float64")
        size = spread_ph if name == "ph" else spread * value
        with np.errstate(divide="ignore", invalid="ignore"):
            tie = value / steps[code] / (_BIN * size)
        tie = np.where(evidence.obtained(samples, name, "drops"), 1.0 / (_BIN * _DROP_SPREAD), tie)
        silent = np.isnan(tie) | evidence.obtained(samples, name, *_SILENT) | _is_computed(measured, code)
        share *= np.where(silent, 1.0, np.minimum(tie, 1.0))
    return share


def _is_computed(measured: pd.DataFrame, code: str) -> Flags:
    sources = next((makers for figure, makers in _COMPUTED_FROM if figure == code), ())
    if not sources:
        return np.zeros(len(measured), dtype="bool")
    known = [~np.isnan(measured[ANALYTES[source].column].to_numpy()) for source in sources]
    return np.asarray(np.all(known, axis=0))


def _steps(samples: SampleTable) -> dict[str, Floats]:
    """Count the steps that make up each figure: 677 is 677 steps of one, "7,4" is 74 of a tenth."""
    readings = samples.readings
    written = record.as_texts(readings, "raw_text")
    value = record.as_numbers(readings, "value").round(6).astype("str")
    said = TextColumn.from_series(written.where(written != "", value))
    digits = (_NO_DIGIT.sub("", text).strip("0")[:9] for text in said.texts)
    steps = np.array([float(text) if text else np.nan for text in digits])[said.codes]
    place, analyte = samples.once(record.positions), samples.once(record.analyte_codes)
    known = (place >= 0) & (analyte >= 0)
    laid = np.full((len(ANALYTES), len(samples)), np.nan)
    laid[analyte[known], place[known]] = steps[known]
    return dict(zip(ANALYTES, laid, strict=True))
