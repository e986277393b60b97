"""One sample of a site, and its readings with the ends of their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.treat.choosing.case import ALKALINITY, HARDNESS
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class Visit:
    """One sample of the site.

    Attributes
    ----------
    sample_id, label, stage : as stored.
    day : when it was taken, NaT where not known.
    samples : the filled table of this one sample.
    findings : its findings in force.
    verdict : after the decisions in force.
    batch_id : the batch that last checked it.
    """

    sample_id: str
    label: str
    stage: str
    day: pd.Timestamp
    samples: SampleTable
    findings: pd.DataFrame
    verdict: str
    batch_id: str = ""

    @property
    def held(self) -> bool:
        """Say whether a person has to answer before the sample is used."""
        return self.verdict in OPEN

    @property
    def decides(self) -> bool:
        """Say whether hardness and alkalinity are there."""
        return self.knows(HARDNESS) and self.knows(ALKALINITY)

    def about(self, name: str) -> str:
        """Give a fact of the record as text, "" where it is not there."""
        value = self.samples.about[name].iloc[0] if name in self.samples.about else ""
        return "" if pd.isna(value) else str(value).strip()

    def knows(self, column: str) -> bool:
        """Say whether there is a reading, or a limit it lies below."""
        return bool(self.samples.filled[column].notna().iloc[0] or self.samples.high[column].notna().iloc[0])


def completed(raw: Visit, lent: Mapping[str, Visit]) -> Visit:
    """Put readings lent by other samples beside those of ``raw``.

    Parameters
    ----------
    raw : a sample.
    lent : column -> the sample that lends it.
    """
    if not lent:
        return raw
    frames = {}
    for part in ("filled", "uncertainty", "low", "high"):
        frame = getattr(raw.samples, part).copy()
        for column, lender in lent.items():
            frame[column] = getattr(lender.samples, part)[column].to_numpy()
        frames[part] = frame
    return replace(raw, samples=replace(raw.samples, **frames))


def ends(visit: Visit) -> pd.DataFrame:
    """Lay a sample out with the ends of its uncertainty.

    Parameters
    ----------
    visit : a sample.

    Returns
    -------
    (3, ...) frame of the canonical columns: as read, everything low, everything high; a reading below a limit
    is half the limit.
    """
    table = visit.samples
    value, spread = table.filled, table.uncertainty.fillna(0.0)
    least = (value - spread).fillna(table.low).clip(lower=0.0)
    most = (value + spread).fillna(table.high)
    middle = value.fillna(0.5 * (least + most))
    return pd.concat([middle, least, most], ignore_index=True)
