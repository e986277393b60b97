"""What was sampled: cold flushed water, a hot or stagnant pipe, or a year on paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.checks import evidence, record
from pipeline.checks.columns import either, first_that_holds
from pipeline.checks.registry import check

if TYPE_CHECKING:
    from pipeline.checks.columns import Cases
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
    limits=SamplingLimits,
    severity="note",
    unit="Cel",
    message="temperature: {observed:1} °C in a sample called raw; {alternative} ({alternative_value:1}). "
    "Leave it out of the history of the raw water.",
)
def hot_sample(samples: SampleTable, limits: SamplingLimits) -> Cases:
    """Find samples called raw that came from a hot tap, a boiler or a machine.

    Hot water has lost lime and gained copper; it says nothing of the supply.

    Parameters
    ----------
    samples : `temperature_c`, `stage`.
    limits : see ``SamplingLimits``.

    Returns
    -------
    one row per raw sample with a temperature; `observed` the temperature.

    Notes
    -----
    30-40 °C: note (tropical mains do reach it); above 40 °C: hold [CP]. Where the number is a cold
    water's in Fahrenheit, (F − 32)/1.8 is shown.
    """
    temperature = samples.measured["temperature_c"].to_numpy()
    raw = samples.fact("stage").isin(_COLD_STAGES)
    celsius = (temperature - 32) / 1.8
    lowest, highest = limits.cold_c
    fahrenheit = (celsius >= lowest) & (celsius <= highest)
    hot = temperature > limits.hot_c
    answers = {
        "it may be degrees Fahrenheit, in °C": hot & fahrenheit,
        "it may come from a hot tap or a machine, as read in °C": hot,
        "a warm pipe or a hot tap, as read in °C": ~hot,
    }
    return {
        "observed": np.where(raw, temperature, np.nan),
        "low": np.nan,
        "high": limits.warm_c,
        "analyte": "temperature",
        "severity": either(hot, "hold", "note"),
        "alternative": first_that_holds(len(samples), answers),
        "alternative_value": np.where(hot & fahrenheit, celsius, temperature),
    }


@check(
    "unflushed-sample",
    title="The tap was flushed before the sample was taken",
    source="CP",
    severity="note",
    message="The sample was taken without flushing: {alternative}.",
)
def unflushed_sample(samples: SampleTable) -> Cases:
    """Mark samples of water that stood in the pipe.

    Stagnant water carries metals and warmth and no chlorine; for hardness and alkalinity it still serves.

    Parameters
    ----------
    samples : `flushed` and `comment` in words; copper and lead as evidence.

    Returns
    -------
    one row per sample that says whether it was flushed; `observed` 1 where it was not.

    Notes
    -----
    Metals are judged only from a declared first-draw sample or a flushed one [CP].
    """
    said = samples.fact("flushed").map(lambda text: text.strip().lower())
    worded = samples.fact("comment").mentions(_STAGNANT)
    return {
        "observed": np.where(worded | said.stated(), said.isin(_NOT_FLUSHED) | worded, np.nan),
        "low": np.nan,
        "high": 0.0,
        "copper": samples.measured["copper_mg_l"].to_numpy(),
        "lead": samples.measured["lead_mg_l"].to_numpy(),
        "alternative": "not for a verdict on metals or chlorine; repeat after flushing",
    }


@check(
    "utility-statement",
    title="The record is a sample, not a yearly statement",
    source="CP",
    limits=SamplingLimits,
    severity="note",
    message="This looks like a statement of a utility, not a sample: {alternative}. "
    "Keep it out of trends and use a sample for advice.",
)
def utility_statement(samples: SampleTable, limits: SamplingLimits) -> Cases:
    """Recognise yearly means and typical values entered as if they were measured.

    A mean of a year says what the zone is like, not what came out of this tap on a day.

    Parameters
    ----------
    samples : `comment`, `collected_precision`, `collected_at`, `file_sha256`.
    limits : ``statement_samples``, ``statement_share``.

    Returns
    -------
    one row per sample; `observed` 1 where a sign of a statement shows.

    Notes
    -----
    Signs: words such as "annual mean"; a date that is only a year; 1 January or 31 December in at least
    three samples and half of the source [CP].
    """
    count = len(samples)
    day = samples.once(record.instants, "collected_at").astype("datetime64[D]")
    year = day.astype("datetime64[Y]")
    next_day, next_year = day + np.timedelta64(1, "D"), year + np.timedelta64(1, "Y")
    turn = (day == year.astype("datetime64[D]")) | (next_day == next_year.astype("datetime64[D]"))
    of = evidence.sources(samples)
    hits = of.count(turn)
    often = (hits >= limits.statement_samples) & (
        hits >= limits.statement_share * of.count(np.ones(count, dtype="bool"))
    )
    answers = {
        "it is called a mean or a typical value": samples.fact("comment").mentions(_STATEMENT),
        "its date is only a year": samples.fact("collected_precision").isin(["year"]),
        "most of this source is dated at the turn of the year": turn & (often & (of.names != ""))[of.code],
    }
    alternative = first_that_holds(count, answers)
    return {
        "observed": alternative.stated().astype("float64"),
        "low": np.nan,
        "high": 0.0,
        "alternative": alternative,
    }
