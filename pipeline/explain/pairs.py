"""Before and behind a treatment: exchanged labels, an exhausted filter, a bypass that was moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.checks.pairs import TreatmentLimits, matched_pairs
from pipeline.explain.mistakes.catalogue import every
from pipeline.explain.record import ROW
from pipeline.explain.wording import comma_joined, four_digits, texts, titles
from pipeline.problems import filled
from pipeline.reference import gathered, records
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.limits import Limits
    from pipeline.explain.record import Record
    from pipeline.explain.wording import Columns
    from pipeline.normalise.sample_table import SampleTable

PAIR_QUANTITIES: Final = ("total_hardness", "alkalinity", "conductivity", "ph", "sodium", "chloride")
_TITRATED: Final = ("total_hardness", "alkalinity", "conductivity")
_SAME: Final = frozenset({"carbon"})  # a treatment that changes none of them cannot be exhausted in these numbers
_BYPASS_BY: Final = {"decarboniser": "alkalinity", "softener": "total_hardness", "reverse osmosis": "conductivity"}
_BYPASS_SPREAD: Final = (0.20, 1.0)  # ln, around the recorded share; anywhere [CP]
_LEAST: Final = 0.05
_NO_TREATMENT: Final = float(np.log(300.0))  # no treatment changes anything so much: a unit slipped, not a bottle [CP]
_CORRECTED: Final = 0.5  # probability from which a reading's own explanation is taken into account here
PAIR_ANSWERS: Final = ("swapped-samples", "exhausted-media", "bypass-moved")
_ANSWERS: Final = ("", *PAIR_ANSWERS)
_EFFECTS: Final = {(row["kind"], row["quantity"]): (row["mean"], row["spread"]) for row in records("treatment_effects")}
_SHARES: Final = {kind: rows[0]["share"] for kind, rows in gathered(records("treatment_effects"), "kind").items()}
_ENDINGS: Final = {
    "swapped-samples": ": exchanged they are what {kind} does",
    "exhausted-media": ": nothing is removed any more",
    "bypass-moved": ": not the {bypass:0} % of the recorded bypass",
}


@dataclass(frozen=True)
class PairAnswers:
    """What may have become of (p,) pairs; a question apart from the readings' own.

    Attributes
    ----------
    pairs : of `checks.pairs.matched_pairs`.
    weights : (p, 4) probability of each of _ANSWERS.
    bottles : places of their samples, ascending.
    values : (r, bottles) the readings they were weighed by, as they are told.
    """

    pairs: pd.DataFrame
    weights: Floats
    bottles: Places
    values: Floats

    def exchanged(self) -> Places:
        """Give the samples whose labels are more likely exchanged than not."""
        sample, pair = self._told("swapped-samples")
        return np.sort(sample[self._weight("swapped-samples")[pair] >= _CORRECTED])

    def rows(self, index: pd.Index, wanted: Flags) -> Columns:
        """Lay out the answers for both samples of every pair, in the columns of `Explained.explanations` and `sample`.

        Parameters
        ----------
        index : (n,) all samples.
        wanted : (n,) those to tell of.
        """
        told = [(mistake, *self._told(mistake, wanted)) for mistake in PAIR_ANSWERS]
        sample = np.concatenate([samples for _, samples, _ in told])
        blank, unknown = np.full(sample.size, ""), np.full(sample.size, np.nan)
        rows: Columns = {
            "sample": sample,
            "sample_id": np.asarray(index[sample], dtype=object),
            "rank": np.zeros(sample.size, dtype="int64"),
            "mistake": np.concatenate([np.full(pair.size, mistake) for mistake, _, pair in told]),
            "probability": np.concatenate([self._weight(mistake)[pair] for mistake, _, pair in told]),
            "evidence": np.concatenate([texts(self._evidence(mistake, pair)) for mistake, _, pair in told]),
            **dict.fromkeys(("analyte", "other_analyte", "detail", "unit"), blank),
            **dict.fromkeys(("value_from", "value_to"), unknown),
            "pattern": np.zeros(sample.size, dtype="bool"),
        }
        return {**rows, "title": titles(rows, "title")}

    def _weight(self, mistake: str) -> Floats:
        return self.weights[:, _ANSWERS.index(mistake)]

    def _told(self, mistake: str, wanted: Flags | None = None) -> tuple[Places, Places]:
        """Give the (wanted) samples an answer is told of, and the pair each has it from: the first of several."""
        likely = (self._weight("") < 0.5) & (self._weight(mistake) >= _LEAST)  # noqa: PLR2004 -- the likelier of two
        pair = np.tile(np.flatnonzero(likely), 2)
        both = np.concatenate([self.pairs[name].to_numpy()[likely] for name in ("raw", "treated")])
        first = np.sort(np.unique(both, return_index=True)[1])
        first = first if wanted is None else first[wanted[both[first]]]
        return both[first], pair[first]

    def _evidence(self, mistake: str, at: Places) -> pa.Array:
        """Say of chosen pairs both numbers of each titration and of conductivity, then what they mean."""
        before, behind = (np.searchsorted(self.bottles, self.pairs[name].to_numpy()[at]) for name in ("raw", "treated"))
        clauses = []
        for name in _TITRATED:
            raw, treated = self.values[ROW[name], before], self.values[ROW[name], behind]
            label = {"total_hardness": "total hardness", "conductivity": "conductivity"}.get(name, name)
            unit = " µS/cm" if name == "conductivity" else f" {ANALYTES[name].unit} as CaCO3"
            facts = {"raw": four_digits(raw), "treated": four_digits(treated)}
            clause = filled(f"{label} {{raw}} before and {{treated}} behind{unit}", facts)
            clauses.append(pc.if_else(pa.array(~np.isnan(raw + treated)), clause, None))
        kinds = self.pairs["kind"].to_numpy()[at].tolist()
        named = [f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}" if kind else "a treatment" for kind in kinds]
        words = {"kind": pa.array(named, pa.string()), "bypass": self.pairs["bypass"].to_numpy(dtype="float64")[at]}
        return pc.binary_join_element_wise(comma_joined(clauses), filled(_ENDINGS[mistake], words), "")


def of_pairs(samples: SampleTable, record: Record, own: pd.DataFrame, limits: Limits) -> PairAnswers:
    """Weigh whether the labels of each pair are right and the treatment works.

    Two bottles in one record each agree with themselves when their labels are exchanged: only the direction of the
    change tells. So this is a question beside that of the readings, with probabilities of its own.

    Parameters
    ----------
    samples, record : all samples.
    own : `sample candidate probability value_to rank`, explanations of the readings; a likely one counts as read.
    limits : ``treatment.days_apart``.

    Returns
    -------
    PairAnswers: for both samples of a pair the answers above 5 %, where a working treatment is not the likelier.

    Notes
    -----
    p(answer | pair) ∝ p(answer) · Π N(ln(behind/before); mean, √(spread² + u²)) with the effects of the kind of
    treatment, or of every kind by its share where none is named [CP, JCGM106].
    """
    pairs = samples.once(matched_pairs, limits.of(TreatmentLimits).days_apart)
    explained = np.zeros(len(record), dtype="bool")
    explained[own["sample"].to_numpy()] = True
    pairs = pairs[explained[pairs["raw"]] | explained[pairs["treated"]]].reset_index(drop=True)
    before, behind = pairs["raw"].to_numpy(), pairs["treated"].to_numpy()
    bottles = np.unique(np.append(before, behind))
    values, spread, half = _as_explained(record, own, bottles)
    change, width = _changes(values, spread, np.searchsorted(bottles, before), np.searchsorted(bottles, behind))
    kinds = pairs["kind"].astype("str").to_numpy()
    weights = _weights(change, width, kinds, pairs["bypass"].to_numpy(dtype="float64") / 100.0)
    # A count is told as it was read; it was weighed by the middle of its interval.
    return PairAnswers(pairs, weights, bottles, values + half)


def exchange_suspected(samples: SampleTable, record: Record, limits: Limits) -> Flags:
    """Tell both samples of every pair whose labels may be exchanged, by the readings as they were received.

    Parameters
    ----------
    samples, record : all samples.
    limits : ``treatment.days_apart``.
    """
    flags = np.zeros(len(record), dtype="bool")
    pairs = samples.once(matched_pairs, limits.of(TreatmentLimits).days_apart)
    before, behind = pairs["raw"].to_numpy(), pairs["treated"].to_numpy()
    change, width = _changes(record.amounts, record.spread, before, behind)
    weights = _weights(
        change, width, pairs["kind"].astype("str").to_numpy(), pairs["bypass"].to_numpy(dtype="float64") / 100.0
    )
    suspected = weights[:, _ANSWERS.index("swapped-samples")] >= _LEAST
    flags[before[suspected]] = flags[behind[suspected]] = True
    return flags


def _as_explained(record: Record, own: pd.DataFrame, bottles: Places) -> tuple[Floats, Floats, Floats]:
    """Take the readings of samples, the values of likely explanations in place of what was received; and half drops."""
    values, spread, half = (of_all[:, bottles] for of_all in (record.amounts, record.spread, record.half))
    likely = own[(own["rank"] == 1) & (own["probability"] >= _CORRECTED) & own["value_to"].notna()]
    rows = np.where(every("mistake") == "missing-ion", -1, every("row"))[likely["candidate"].to_numpy()]
    at = places_among(bottles, likely["sample"].to_numpy())
    kept = (rows >= 0) & (at >= 0)
    cell = rows[kept], at[kept]
    new = likely["value_to"].to_numpy()[kept] - half[cell]
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(values[cell] > 0, new / values[cell], 1.0)
    spread[cell] *= scale
    values[cell] = new
    return values, spread, half


def places_among(ascending: Places, sought: Places) -> Places:
    """Give the place of each number among ascending ones; -1 where it is none of them."""
    at = np.searchsorted(ascending, sought)
    found = np.append(ascending, -1)[at] == sought
    return np.where(found, at, -1)


def _changes(
    values: Floats, spread: Floats, before: Places, behind: Places
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Logarithm of behind over before (pH: difference) and its standard uncertainty."""
    change: dict[str, Floats] = {}
    width: dict[str, Floats] = {}
    with np.errstate(divide="ignore", invalid="ignore"):
        for name in PAIR_QUANTITIES:
            row = ROW[name]
            raw, treated = values[row, before], values[row, behind]
            if name == "ph":
                change[name], width[name] = treated - raw, np.hypot(spread[row, before], spread[row, behind])
            else:
                ratio = np.log(np.where((raw > 0) & (treated > 0), treated / raw, np.nan))
                change[name] = np.where(np.abs(ratio) > _NO_TREATMENT, np.nan, ratio)
                relative = np.hypot(spread[row, before] / raw, spread[row, behind] / treated)
                width[name] = np.minimum(relative, 1.0)
    return change, width


def _weights(change: dict[str, Floats], width: dict[str, Floats], kinds: np.ndarray, bypass: Floats) -> Floats:
    """Probability of each of _ANSWERS for every pair."""
    prior = {row["mistake"]: row["prior"] for row in records("mistake_priors")}
    turned = {name: -values for name, values in change.items()}
    share = np.where((bypass > 0) & (bypass < 1), bypass, np.nan)
    by, by_width = np.full(len(kinds), np.nan), np.full(len(kinds), np.nan)
    for kind, name in _BYPASS_BY.items():
        by = np.where(kinds == kind, change[name] - np.log(share), by)
        by_width = np.where(kinds == kind, width[name], by_width)
    held = np.nan_to_num(_normal(by, np.hypot(_BYPASS_SPREAD[0], by_width)))
    open_ = np.nan_to_num(_normal(by, np.hypot(_BYPASS_SPREAD[1], by_width)))
    works, swapped = _by_kind(change, width, kinds), _by_kind(turned, width, kinds)
    spent = _fit(change, width, "exhausted")
    spent = np.where(np.isin(kinds, list(_SAME)), -np.inf, spent)
    sure = 1.0 - prior["swapped-samples"] - prior["exhausted-media"] - prior["bypass-moved"]
    logs = np.column_stack(
        [
            np.log(sure) + works + held,
            np.log(prior["swapped-samples"]) + swapped + open_,
            np.log(prior["exhausted-media"]) + spent + open_,
            np.where(np.isnan(by), -np.inf, np.log(prior["bypass-moved"]) + works + open_),
        ]
    )
    weight = np.exp(logs - logs.max(axis=1, keepdims=True))
    result: Floats = weight / weight.sum(axis=1, keepdims=True)
    return result


def _by_kind(change: dict[str, Floats], width: dict[str, Floats], kinds: np.ndarray) -> Floats:
    """Fit of each pair to its kind, or to all kinds by their shares where none is named."""
    named = {kind: _fit(change, width, kind) for kind in _SHARES if kind != "exhausted"}
    mixture = np.logaddexp.reduce([fit + np.log(_SHARES[kind]) for kind, fit in named.items() if _SHARES[kind] > 0])
    return np.select([kinds == kind for kind in named], list(named.values()), mixture)


def _fit(change: dict[str, Floats], width: dict[str, Floats], kind: str) -> Floats:
    total = np.zeros(len(change["ph"]))
    for name in PAIR_QUANTITIES:
        mean, spread = _EFFECTS[kind, name]
        total += np.nan_to_num(_normal(change[name] - mean, np.hypot(spread, width[name])))
    return total


def _normal(gap: Floats, width: Floats) -> Floats:
    return np.asarray(-0.5 * (gap / width) ** 2 - np.log(width), dtype="float64")
