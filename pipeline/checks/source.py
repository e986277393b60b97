"""Findings about a whole source: what is wrong in every row is one question, not a thousand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import evidence
from pipeline.checks.columns import fitting
from pipeline.checks.ion_balance import IonBalanceLimits, balance, measured_balance
from pipeline.checks.registry import check
from pipeline.chemistry.equivalents import HCO3_PER_CACO3
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.arrays import Places
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class SourceLimits:
    """Limits of what counts as a pattern of a whole source."""

    form_within: float = 0.02  # of the ratio that a wrong form makes [CP]
    form_share: float = 0.9  # of the source's samples [CP]
    form_samples: float = 10.0  # before a source says anything [CP]


# The finding about a source, and the findings about its samples that it answers.
_EXPLAINS: Final = {
    "source-balance-bias": "ion-balance",
    "alkalinity-form-of-source": "alkalinity-forms",
    "temperature-compensation": "conductivity-from-ions",
}
_EXPLAINED_TEXT: Final = " All samples of this source show it: see the finding about the source."


@check(
    "source-balance-bias",
    title="The ion balances of a source scatter around zero",
    source="APHA1030",
    limits=IonBalanceLimits,
    severity="note",
    unit="%",
    message="the ion balance of this source centres at {observed:2} % over {samples:0} samples "
    "(scatter {scatter:2} %). {alternative}.",
)
def source_balance_bias(samples: SampleTable, limits: IonBalanceLimits) -> Cases:
    """Find a source whose ion balance is off by the same amount everywhere.

    Single errors scatter to both sides. A constant offset is one wrong method, form or unit, and one
    question to the laboratory instead of one per sample.

    Parameters
    ----------
    samples : the ions, and the source.
    limits : ``bias_samples``, ``bias_percent`` [%].

    Returns
    -------
    one row per source with at least twenty balances (`observed` their median), and a passing row per sample.

    Notes
    -----
    A finding where the median is more than 2 % off and more than twice the robust standard deviation [CP].
    """
    charges = samples.once(balance, limits)
    percent = samples.once(measured_balance, limits)
    of = evidence.sources(samples)
    seen = of.count(~np.isnan(percent))
    median, scatter = of.median(percent), of.spread(percent)
    extra = charges.alkalinity * (HCO3_PER_CACO3 - 1.0)
    less = charges.alkalinity * (1.0 / HCO3_PER_CACO3 - 1.0)
    as_caco3 = of.median(charges.percent(anions=charges.anions + extra))
    as_hco3 = of.median(charges.percent(anions=charges.anions + less))
    steady = np.abs(median) > 2.0 * scatter
    answers = {
        "Alkalinity given as CaCO3 under HCO3 would centre it": np.abs(as_caco3) <= limits.bias_percent,
        "Alkalinity given as HCO3 under CaCO3 would centre it": np.abs(as_hco3) <= limits.bias_percent,
    }
    found: Cases = {
        "file_sha256": of.names,
        "observed": median,
        "low": np.where(steady, -limits.bias_percent, np.nan),
        "high": np.where(steady, limits.bias_percent, np.nan),
        "analyte": "alkalinity",
        "samples": seen,
        "scatter": scatter,
        "median_if_bicarbonate_is_as_caco3_percent": as_caco3,
        "median_if_alkalinity_is_as_hco3_percent": as_hco3,
        "alternative": fitting(len(of.names), answers, "Ask for method, form and unit of the ion that is off"),
    }
    return evidence.of_sources(found, seen >= limits.bias_samples, ~np.isnan(percent))


@check(
    "ion-by-difference",
    title="The ions of a source were all measured",
    source="CP",
    limits=IonBalanceLimits,
    severity="note",
    message="the ion balance is 0 within {exact:1} % in {observed:0} of {samples:0} samples of this source: "
    "{alternative}.",
)
def ion_by_difference(samples: SampleTable, limits: IonBalanceLimits) -> Cases:
    """Recognise a source whose balance is always zero.

    No laboratory is that good: one ion, mostly sodium, was computed from the others. Its balance
    proves nothing, and ion-balance does not count it.

    Parameters
    ----------
    samples : the ions, and the source.
    limits : ``exact_percent`` [%], ``exact_share`` [-], ``exact_samples``.

    Returns
    -------
    one row per source with at least ten balances (`observed` how many are 0), and a passing row per sample.

    Notes
    -----
    Within 0.2 % in nine of ten samples [CP].
    """
    percent = samples.once(balance, limits).percent()
    of = evidence.sources(samples)
    seen = of.count(~np.isnan(percent))
    found: Cases = {
        "file_sha256": of.names,
        "observed": of.count(np.abs(percent) < limits.exact_percent),
        "low": np.nan,
        "high": np.nextafter(limits.exact_share * seen, 0.0),
        "analyte": "sodium",
        "samples": seen,
        "exact": limits.exact_percent,
        "alternative": "an ion was computed from the others; ask which",
    }
    return evidence.of_sources(found, seen >= limits.exact_samples, ~np.isnan(percent))


@check(
    "alkalinity-form-of-source",
    title="A source gives bicarbonate as bicarbonate",
    source="IUPAC2021",
    limits=SourceLimits,
    severity="note",
    message="bicarbonate over alkalinity is {observed:3} in this source ({samples:0} of {seen:0} samples); "
    "1.219 is right. {alternative}.",
)
def alkalinity_form_of_source(samples: SampleTable, limits: SourceLimits) -> Cases:
    """Find a source that prints one alkalinity twice, under two names.

    A column headed HCO3 that holds numbers as CaCO3 (or the other way round) is wrong in every row.

    Parameters
    ----------
    samples : alkalinity and bicarbonate as read, and the source.
    limits : see ``SourceLimits``.

    Returns
    -------
    one row per source with at least ten pairs (`observed` the median of bicarbonate [mg/L] over
    alkalinity [mg/L as CaCO3]), and a passing row per sample.

    Notes
    -----
    HCO3 = 1.2193 ALK [IUPAC2021]; 1.0 means one form under two headings, 1.487 two conversions.
    """
    alkalinity = samples.measured["alkalinity_mg_l_caco3"].to_numpy()
    ratio = samples.measured["bicarbonate_mg_l"].to_numpy() / np.where(alkalinity > 0, alkalinity, np.nan)
    of = evidence.sources(samples)
    seen = of.count(~np.isnan(ratio))
    once = of.count(np.abs(ratio - 1.0) <= limits.form_within)
    twice = of.count(np.abs(ratio / HCO3_PER_CACO3**2 - 1.0) <= limits.form_within)
    wrong = np.maximum(once, twice) >= limits.form_share * seen
    answers = {
        "Both columns hold the same form: as CaCO3, or both as HCO3; ask which": once > twice,
        "The conversion was applied twice": twice > once,
    }
    found: Cases = {
        "file_sha256": of.names,
        "observed": of.median(ratio),
        "low": np.where(wrong, HCO3_PER_CACO3, np.nan),
        "high": np.where(wrong, HCO3_PER_CACO3, np.nan),
        "analyte": "bicarbonate alkalinity",
        "samples": np.maximum(once, twice),
        "seen": seen,
        "alternative": fitting(len(of.names), answers),
    }
    return evidence.of_sources(found, seen >= limits.form_samples, ~np.isnan(ratio))


def explained_by_source(findings: pd.DataFrame, place: Places, samples: SampleTable) -> pd.DataFrame:
    """Make notes of the findings about samples that one finding about their source explains.

    A thousand holds for one wrong heading help nobody: the source is asked once. A sample that is off by
    more than its source stays as it was found.

    Parameters
    ----------
    findings : findings of a batch, with `file_sha256 check_id severity observed low high message`.
    place : position of each finding's sample, -1 for one about a source.
    samples : the sample table they belong to.

    Returns
    -------
    a new frame, same rows in the same order; severity and message of the explained rows are changed.

    Notes
    -----
    Explained: the sample's deviation minus the source's median lies within the sample's own allowed
    range (half of `high` − `low`).
    """
    check = TextColumn.from_series(findings["check_id"])
    whole = np.flatnonzero(check.isin(_EXPLAINS))
    if not len(whole):
        return findings
    of = evidence.sources(samples)
    observed, low, high = (findings[name].to_numpy() for name in ("observed", "low", "high"))
    number = pd.Index(of.names).get_indexer(pd.Index(findings["file_sha256"].iloc[whole]))
    explained = np.zeros(len(findings), dtype="bool")
    for source_check, sample_check in _EXPLAINS.items():
        bias = np.full(len(of.names), np.nan)
        mine = check.isin([source_check])[whole] & (number >= 0)
        bias[number[mine][::-1]] = observed[whole[mine]][::-1]
        about = np.flatnonzero(check.isin([sample_check]) & (place >= 0))
        middle, half = (high[about] + low[about]) / 2.0, (high[about] - low[about]) / 2.0
        rest = _without_bias(observed[about], middle, bias[of.code[place[about]]], source_check)
        explained[about[np.abs(rest) <= half]] = True
    message = findings["message"] + _EXPLAINED_TEXT
    return findings.assign(
        severity=findings["severity"].where(~explained, "note"),
        message=findings["message"].where(~explained, message),
    )


def _without_bias(observed: np.ndarray, middle: np.ndarray, bias: np.ndarray, source_check: str) -> np.ndarray:
    """Take the source's deviation away from the sample's: as a difference, or as a ratio undone."""
    if source_check == "alkalinity-form-of-source":
        return np.asarray(observed * HCO3_PER_CACO3 / bias - middle)
    if source_check == "temperature-compensation":
        return np.asarray(observed / bias - middle)
    return np.asarray(observed - middle - bias)
