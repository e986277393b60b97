"""Raw and treated water of one visit side by side, and the kind of treatment between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.treatment_names import judged_as, kind_named
from pipeline.texts import TextColumn, numbered

if TYPE_CHECKING:
    from pipeline.arrays import Places
    from pipeline.normalise.sample_table import SampleTable

_RAW: Final = ("raw",)
# A jug holds weak acid resin loaded with some sodium or potassium, and carbon [CP].
_JUG: Final = (
    r"\bjugs?\b|\bpitchers?\b|\bkannen?\w*|tischfilter|wasserfilterkanne|\bcarafes?\b|\bcaraff[ae]\b|\bjarras?\b"
    r"|filterkan\b|ポット型|滤水壶"
)
_DAY: Final = 86_400_000_000  # µs
_NO_TIME: Final = np.iinfo("int64").min  # a missing moment as a number
_TREATED: Final = ("treated", "machine_inlet", "permeate")


@dataclass(frozen=True)
class TreatmentLimits:
    """Limits of the before-and-after check; common practice of the trade [CP] unless a key says otherwise."""

    days_apart: float = 1.0  # the same visit [CP]
    relative_uncertainty: float = 0.10  # of a reading that states none, k = 2 [CP]
    conductivity_share: float = 0.10  # between two readings of a conductivity [CP]
    open_cup_ph: float = 0.3  # rise that shows lost carbon dioxide [CP]
    free_chlorine_mg_l: float = 0.1  # behind carbon [CP]
    unflushed_ph: float = 5.0  # a filter not flushed yet [CP]
    membrane_share: float = 0.5  # a membrane that halves hardness halves conductivity too [CP]


def kinds(words: TextColumn) -> TextColumn:
    """Name the kinds of treatment, or trains of them, that texts speak of; each text is read once."""
    return words.map(kind_named)


def matched_pairs(samples: SampleTable, days_apart: float) -> pd.DataFrame:
    """Pair every treated sample with the nearest raw sample of the same client and site.

    Parameters
    ----------
    samples : `client site stage collected_at treatment`.
    days_apart : longest time between the two [days].

    Returns
    -------
    (k, …) frame: `raw`, `treated` (places in the table), `kind` (what the pair is judged as; a jug as the buffered
    decarboniser that is in it), `softened` (a softener stands in the train), `bypass` [%].
    Samples that name neither client nor site, or no date while others do, have no pair.
    """
    client, site, stage = (samples.fact(name) for name in ("client", "site", "stage"))
    when = samples.once(record.instants, "collected_at").astype("int64")
    when = np.where(when == _NO_TIME, 0, when)
    where = numbered([client, site])
    placed = client.stated() | site.stated()
    raw, treated = (np.flatnonzero(placed & stage.isin(stages)) for stages in (_RAW, _TREATED))
    treated = treated[np.argsort(when[treated], kind="stable")]
    before = _nearest(where, when, raw, treated)
    near = (before >= 0) & (np.abs(when[before] - when[treated]) <= days_apart * _DAY)
    after, before = treated[near], before[near]
    words = samples.fact("treatment")
    named = np.where(words.stated()[after], words.codes[after], words.codes[before])
    spoken = TextColumn(named, words.texts)
    train = kinds(spoken)
    judged = train.map(judged_as)
    jug = ~train.stated() & spoken.mentions(_JUG)
    return pd.DataFrame(
        {
            "raw": before,
            "treated": after,
            "kind": judged.where(jug, "buffered decarboniser").series(pd.RangeIndex(len(after))),
            "softened": train.mentions(r"\bsoftener\b"),
            "bypass": record.as_numbers(samples.about, "bypass_percent").to_numpy()[after],
        }
    )


def _nearest(where: Places, when: Places, raw: Places, treated: Places) -> Places:
    """Point from each treated sample to the raw one nearest in time at its place (or -1); of two the earlier."""
    moments, moment = np.unique(when, return_inverse=True)
    key = where * len(moments) + moment
    raw = np.append(raw[np.argsort(key[raw], kind="stable")], -1)
    keys = key[raw[:-1]]
    best, gap = np.full(len(treated), -1, dtype="intp"), np.full(len(treated), np.inf)
    after = np.searchsorted(keys, key[treated], side="left")
    before = np.searchsorted(keys, key[treated], side="right") - 1
    for candidate in (raw[before], raw[after]):
        apart = np.abs(when[candidate] - when[treated])
        closer = (candidate >= 0) & (where[candidate] == where[treated]) & (apart < gap)
        best, gap = np.where(closer, candidate, best), np.where(closer, apart, gap)
    return best
