"""What the other samples of a point say a reading usually is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.explain.record import ROW
from pipeline.texts import TextColumn, concatenated, numbered
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.arrays import Floats, Places
    from pipeline.explain.other_bottle import OtherBottle
    from pipeline.explain.record import Record
    from pipeline.normalise.sample_table import SampleTable

    Rows = dict[str, Floats]

HISTORY: Final = (
    "total_hardness",
    "alkalinity",
    "conductivity",
    "calcium",
    "magnesium",
    "sodium",
    "chloride",
    "sulfate",
)
SHIFTED: Final = ("total_hardness", "alkalinity", "conductivity")  # move together when the source changes [CP]
_HISTORY_LEAST: Final = (
    0.10,
    0.30,
)  # ln, what a steady source varies by: what moves together, any other ion (k = 1) [CP]
_HISTORY_SAMPLES: Final = 3


@dataclass(frozen=True)
class PastReadings:
    """What the other samples of the site say: centre and spread (ln) by quantity; missing where too few.

    ``other`` is the other bottle of each visit, None where it does not count.
    """

    centre: dict[str, Floats]
    spread: dict[str, Floats]
    samples: Floats
    other: OtherBottle | None = None

    def take(self, at: Places) -> PastReadings:
        """Keep the samples at these places."""
        centre = {name: values[at] for name, values in self.centre.items()}
        spread = {name: values[at] for name, values in self.spread.items()}
        return PastReadings(centre, spread, self.samples[at], None if self.other is None else self.other.take(at))

    def none(self) -> PastReadings:
        """Forget what the sites say."""
        centre = {name: np.full_like(values, np.nan) for name, values in self.centre.items()}
        return PastReadings(centre, self.spread, np.zeros_like(self.samples))


def past_readings(samples: SampleTable, record: Record) -> PastReadings:
    """Give every sample the median and the spread of the other samples of its point.

    Parameters
    ----------
    samples : `client site sampling_point stage`; ``earlier`` samples of the store count as well.
    record : their readings.

    Returns
    -------
    History; at least three other samples are needed. Spread: 1.4826 × the median distance, not below 10 %
    (of a single ion 20 %) [CP],
    wider for few samples (√(1 + 2/n)).
    """
    none = np.full(len(record), np.nan)
    if not {"client", "site"} & set(samples.about.columns):
        return PastReadings(dict.fromkeys(HISTORY, none), dict.fromkeys(HISTORY, none), np.zeros(len(record)))
    before = samples.earlier
    parts = [_followed(samples, name) for name in ("client", "site", "sampling_point", "stage")]
    placed = (parts[0].stated() | parts[1].stated())[: len(record)]
    values = np.concatenate([record.amounts[[ROW[name] for name in HISTORY]].T, _stored(before)])
    log = np.log(np.where(values > 0, values, np.nan))
    middle, distance, others = (numbers[: len(record)].T for numbers in _robust(log, numbered(parts)))
    known = (others >= _HISTORY_SAMPLES) & placed
    centre = np.where(known, middle, np.nan)
    least = np.array([_HISTORY_LEAST[name not in SHIFTED] for name in HISTORY])[:, None]
    spread = np.maximum(distance, least) * np.sqrt(1.0 + 2.0 / np.maximum(others, 1.0))
    most = np.where(known, others, 0.0).max(axis=0)
    return PastReadings(dict(zip(HISTORY, centre, strict=True)), dict(zip(HISTORY, spread, strict=True)), most)


def _followed(samples: SampleTable, name: str) -> TextColumn:
    """Take a fact of the samples and, under them, of the earlier ones of the store."""
    return concatenated([samples.fact(name), TextColumn.of(samples.earlier, name)])


def _stored(before: pd.DataFrame) -> Floats:
    """Take the readings of the earlier samples, a column for each quantity; missing where the store has none."""
    return before.reindex(columns=[ANALYTES[name].column for name in HISTORY]).to_numpy(dtype="float64")


def _robust(log: Floats, code: np.ndarray) -> tuple[Floats, Floats, Floats]:
    """Median and robust deviation of each group, and how many other members a row has; by column."""
    groups = pd.DataFrame(log).groupby(code)
    middle = groups.transform("median").to_numpy()
    distance = 1.4826 * pd.DataFrame(np.abs(log - middle)).groupby(code).transform("median").to_numpy()
    others = groups.transform("count").to_numpy(dtype="float64") - ~np.isnan(log)
    return middle, distance, others
