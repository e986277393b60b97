"""What was sampled: cold flushed water, a hot or stagnant pipe, or a year on paper."""

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
class SamplingLimits:
    """Limits of the sampling checks; common practice of the trade [CP]."""

    warm_c: float = 30.0  # cold mains stay below, save in the tropics [CP]
    hot_c: float = 40.0  # no cold pipe reaches this [CP]
    cold_c: tuple[float, float] = (2.0, 30.0)  # what a Fahrenheit reading must come to [CP]
    statement_samples: int = 3  # round dates in one source [CP]
    statement_share: float = 0.5  # of its samples [CP]


_STATEMENT: Final = (
    r"\b(?:annual|yearly) (?:mean|average)|\btypical (?:value|analysis)|\bmin(?:imum)?\s*[-–/]\s*max"
    r"|jahresmittel|mittelwert|moyenne annuelle|media annua|valor medio anual|年平均"
)
_NOT_FLUSHED: Final = ("no", "n", "nein", "non", "false", "0", "not flushed", "unflushed", "nicht gespült")
_STAGNANT: Final = r"\bunflushed|not flushed|first[- ]draw|stagna|nicht gespült|ungespült|non purg|sin purgar"
_COLD_STAGES: Final = ("", "raw")


@check(
    "hot-sample",
    title="Raw water was drawn cold",
    source="CP",
    severity="note",
    unit="Cel",
    message="temperature: {observed:1} °C in a sample called raw; {alternative} ({alternative_value:1}). "
    "Leave it out of the history of the raw water.",
)
def hot_sample(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Find samples called raw that came from a hot tap, a boiler or a machine.

    Hot water has lost lime and gained copper; it says nothing of the supply.

    Parameters
    ----------
    samples : `temperature_c`, `stage`.
    limits : ``sampling``.

    Returns
    -------
    one row per raw sample with a temperature; `observed` the temperature.

    Notes
    -----
    30-40 °C: note (tropical mains do reach it); above 40 °C: hold [CP]. Where the number is a cold
    water's in Fahrenheit, (F − 32)/1.8 is shown.
    """
    temperature = samples.measured["temperature_c"]
    raw = record.text(samples.about, "stage").isin(_COLD_STAGES)
    celsius = (temperature - 32) / 1.8
    fahrenheit = celsius.between(*limits.sampling.cold_c)
    hot = temperature > limits.sampling.hot_c
    return pd.DataFrame(
        {
            "observed": temperature.where(raw),
            "low": np.nan,
            "high": limits.sampling.warm_c,
            "analyte": "temperature",
            "severity": record.first_that_holds(temperature.index, {"hold": hot, "note": ~hot}),
            "alternative": record.first_that_holds(
                temperature.index,
                {
                    "it may be degrees Fahrenheit, in °C": hot & fahrenheit,
                    "it may come from a hot tap or a machine, as read in °C": hot,
                    "a warm pipe or a hot tap, as read in °C": ~hot,
                },
            ),
            "alternative_value": celsius.where(hot & fahrenheit, temperature),
        }
    )


@check(
    "unflushed-sample",
    title="The tap was flushed before the sample was taken",
    source="CP",
    severity="note",
    message="The sample was taken without flushing: {alternative}.",
)
def unflushed_sample(samples: SampleTable, limits: Limits) -> pd.DataFrame:  # noqa: ARG001 -- no limit to set
    """Mark samples of water that stood in the pipe.

    Stagnant water carries metals and warmth and no chlorine; for hardness and alkalinity it still serves.

    Parameters
    ----------
    samples : `flushed` and `comment` in words; copper and lead as evidence.
    limits : none used.

    Returns
    -------
    one row per sample that says whether it was flushed; `observed` 1 where it was not.

    Notes
    -----
    Metals are judged only from a declared first-draw sample or a flushed one [CP].
    """
    said = record.text(samples.about, "flushed").str.strip().str.lower()
    worded = record.mentions(record.text(samples.about, "comment"), _STAGNANT)
    unflushed = said.isin(_NOT_FLUSHED) | worded
    return pd.DataFrame(
        {
            "observed": unflushed.astype("float64").where(worded | (said != "")),
            "low": np.nan,
            "high": 0.0,
            "copper": samples.measured["copper_mg_l"],
            "lead": samples.measured["lead_mg_l"],
            "alternative": "not for a verdict on metals or chlorine; repeat after flushing",
        }
    )


@check(
    "utility-statement",
    title="The record is a sample, not a yearly statement",
    source="CP",
    severity="note",
    message="This looks like a statement of a utility, not a sample: {alternative}. "
    "Keep it out of trends and use a sample for advice.",
)
def utility_statement(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Recognise yearly means and typical values entered as if they were measured.

    A mean of a year says what the zone is like, not what came out of this tap on a day.

    Parameters
    ----------
    samples : `comment`, `collected_precision`, `collected_at`, `file_sha256`.
    limits : ``sampling.statement_samples``, ``sampling.statement_share``.

    Returns
    -------
    one row per sample; `observed` 1 where a sign of a statement shows.

    Notes
    -----
    Signs: words such as "annual mean"; a date that is only a year; 1 January or 31 December in at least
    three samples and half of the source [CP].
    """
    about = samples.about
    worded = record.mentions(record.text(about, "comment"), _STATEMENT)
    yearly = record.text(about, "collected_precision") == "year"
    day = record.moment(about, "collected_at")
    turn = ((day.dt.month == 1) & (day.dt.day == 1)) | ((day.dt.month == 12) & (day.dt.day == 31))  # noqa: PLR2004 -- turn of the year
    file = record.source(samples)
    code = pd.factorize(file)[0]
    hits = np.bincount(code, weights=turn.to_numpy(), minlength=1)[code]
    size = np.bincount(code, minlength=1)[code]
    often = (hits >= limits.sampling.statement_samples) & (hits >= limits.sampling.statement_share * size)
    alternative = record.first_that_holds(
        about.index,
        {
            "it is called a mean or a typical value": worded,
            "its date is only a year": yearly,
            "most of this source is dated at the turn of the year": turn & often & (file != ""),
        },
    )
    return pd.DataFrame(
        {
            "observed": (alternative != "").astype("float64"),
            "low": np.nan,
            "high": 0.0,
            "alternative": alternative,
        }
    )
