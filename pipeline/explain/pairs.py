"""Before and behind a treatment: exchanged labels, an exhausted filter, a bypass that was moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.pairs import match
from pipeline.explain.mistakes import catalogue
from pipeline.explain.record import ROW
from pipeline.explain.wording import figures, titles
from pipeline.problems import fill
from pipeline.reference import table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.checks.limits import Limits
    from pipeline.explain.record import Flags, Floats, Places, Record
    from pipeline.normalise.sample_table import SampleTable

QUANTITIES: Final = ("total_hardness", "alkalinity", "conductivity", "ph", "sodium", "chloride")
_TITRATED: Final = ("total_hardness", "alkalinity", "conductivity")
_SAME: Final = frozenset({"carbon"})  # a treatment that changes none of them cannot be exhausted in these numbers
_BYPASS_BY: Final = {"decarboniser": "alkalinity", "softener": "total_hardness", "reverse osmosis": "conductivity"}
_BYPASS_SPREAD: Final = (0.20, 1.0)  # ln, around the recorded share; anywhere [CP]
_LEAST: Final = 0.05
_NO_TREATMENT: Final = float(np.log(300.0))  # no treatment changes anything so much: a unit slipped, not a bottle [CP]
_CORRECTED: Final = 0.5  # probability from which a reading's own explanation is taken into account here
PAIR_ANSWERS: Final = ("swapped-samples", "exhausted-media", "bypass-moved")
_ANSWERS: Final = ("", *PAIR_ANSWERS)
_EFFECTS: Final = {
    (str(kind), str(quantity)): (float(mean), float(spread))
    for kind, quantity, mean, spread in table("treatment_effects")[["kind", "quantity", "mean", "spread"]].itertuples(
        index=False
    )
}
_SHARES: Final = {
    str(k): float(v)
    for k, v in table("treatment_effects").drop_duplicates("kind")[["kind", "share"]].itertuples(index=False)
}
_ENDINGS: Final = {
    "swapped-samples": ": exchanged they are what {kind} does",
    "exhausted-media": ": nothing is removed any more",
    "bypass-moved": ": not the {bypass:0} % of the recorded bypass",
}


@dataclass(frozen=True)
class PairAnswers:
    """Rows like those of `Explained.explanations`, with `scope` "pair"; a question apart from the readings' own."""

    table: pd.DataFrame

    def exchanged(self, index: pd.Index) -> Flags:
        """Tell the samples whose labels are more likely exchanged than not."""
        if self.table.empty:
            return np.zeros(len(index), dtype="bool")
        likely = (self.table["mistake"] == "swapped-samples") & (self.table["probability"] >= _CORRECTED)
        return np.asarray(index.isin(self.table["sample_id"][likely]))


NO_PAIRS: Final = PairAnswers(pd.DataFrame())


def of_pairs(samples: SampleTable, record: Record, own: pd.DataFrame, limits: Limits) -> PairAnswers:
    """Weigh whether the labels of each pair are right and the treatment works.

    Two bottles in one record each agree with themselves when their labels are exchanged: only the direction of the
    change tells. So this is a question beside that of the readings, with probabilities of its own.

    Parameters
    ----------
    samples, record : all samples.
    own : `sample_id candidate probability value_to rank`, explanations of the readings; a likely one counts as read.
    limits : ``treatment.days_apart``.

    Returns
    -------
    PairAnswers: for both samples of a pair the answers above 5 %, where a working treatment is not the likelier.

    Notes
    -----
    p(answer | pair) ∝ p(answer) · Π N(ln(behind/before); mean, √(spread² + u²)) with the effects of the kind of
    treatment, or of every kind by its share where none is named [CP, JCGM106].
    """
    pairs = match(samples, limits.treatment.days_apart)
    explained = record.index.isin(own["sample_id"])
    pairs = pairs[explained[pairs["raw"]] | explained[pairs["treated"]]].reset_index(drop=True)
    if pairs.empty:
        return NO_PAIRS
    values, spread = _as_explained(record, own)
    before, behind = pairs["raw"].to_numpy(), pairs["treated"].to_numpy()
    change, width = _changes(values, spread, before, behind)
    kinds = pairs["kind"].astype("str").to_numpy()
    weights = _weights(change, width, kinds, pairs["bypass"].to_numpy(dtype="float64") / 100.0)
    # A count is told as it was read; it was weighed by the middle of its interval.
    return PairAnswers(_rows(record, pairs, weights, values + record.half))


def _as_explained(record: Record, own: pd.DataFrame) -> tuple[Floats, Floats]:
    """Take the readings, with the values of likely explanations in place of what was received."""
    values, spread = record.amounts.copy(), record.spread.copy()
    likely = own[(own["rank"] == 1) & (own["probability"] >= _CORRECTED) & own["value_to"].notna()]
    rows = np.array([one.row if one.mistake != "missing-ion" else -1 for one in catalogue()])[
        likely["candidate"].to_numpy()
    ]
    at = record.index.get_indexer(pd.Index(likely["sample_id"]))
    kept = rows >= 0
    new = likely["value_to"].to_numpy()[kept] - record.half[rows[kept], at[kept]]
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(values[rows[kept], at[kept]] > 0, new / values[rows[kept], at[kept]], 1.0)
    spread[rows[kept], at[kept]] *= scale
    values[rows[kept], at[kept]] = new
    return values, spread


def _changes(
    values: Floats, spread: Floats, before: Places, behind: Places
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Logarithm of behind over before (pH: difference) and its standard uncertainty."""
    change: dict[str, Floats] = {}
    width: dict[str, Floats] = {}
    with np.errstate(divide="ignore", invalid="ignore"):
        for name in QUANTITIES:
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
    prior = table("mistake_priors").set_index("mistake")["prior"].astype("float64")
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
    for name in QUANTITIES:
        mean, spread = _EFFECTS[kind, name]
        total += np.nan_to_num(_normal(change[name] - mean, np.hypot(spread, width[name])))
    return total


def _normal(gap: Floats, width: Floats) -> Floats:
    return np.asarray(-0.5 * (gap / width) ** 2 - np.log(width), dtype="float64")


def _rows(record: Record, pairs: pd.DataFrame, weights: Floats, values: Floats) -> pd.DataFrame:
    """Lay out the answers of every pair for both of its samples."""
    suspicious = weights[:, 0] < 0.5  # noqa: PLR2004 -- the likelier of two
    parts = []
    for place, mistake in enumerate(_ANSWERS):
        told = np.flatnonzero(suspicious & (weights[:, place] >= _LEAST)) if mistake else np.zeros(0, dtype="int64")
        if told.size:
            evidence = _evidence(mistake, pairs.iloc[told].reset_index(drop=True), values)
            both = np.concatenate([pairs["raw"].to_numpy()[told], pairs["treated"].to_numpy()[told]])
            parts.append(
                pd.DataFrame(
                    {
                        "sample_id": record.index[both],
                        "mistake": mistake,
                        "probability": np.tile(weights[told, place], 2),
                        "evidence": np.tile(evidence.to_numpy(dtype=object), 2),
                    }
                )
            )
    if not parts:
        return pd.DataFrame()
    rows = pd.concat(parts, ignore_index=True).drop_duplicates(["sample_id", "mistake"])
    rows = rows.assign(
        analyte="",
        other_analyte="",
        detail="",
        unit="",
        pattern=False,
        scope="pair",
        value_from=np.nan,
        value_to=np.nan,
    )
    return rows.assign(title=titles(rows, "title"))


def _evidence(mistake: str, pairs: pd.DataFrame, values: Floats) -> pd.Series:
    """Say both numbers of each titration and of conductivity, then what they mean."""
    joined = np.full(len(pairs), "", dtype=object)
    for name in _TITRATED:
        raw, treated = values[ROW[name], pairs["raw"]], values[ROW[name], pairs["treated"]]
        known = ~np.isnan(raw + treated)
        facts = pd.DataFrame({"raw": figures(pd.Series(raw)), "treated": figures(pd.Series(treated))})
        label = {"total_hardness": "total hardness", "conductivity": "conductivity"}.get(name, name)
        unit = " µS/cm" if name == "conductivity" else f" {ANALYTES[name].unit} as CaCO3"
        clause = fill(f"{label} {{raw}} before and {{treated}} behind{unit}", facts).to_numpy(dtype=object)
        joined = np.where(known, np.where(joined == "", clause, joined + ", " + clause), joined)
    kind = pairs["kind"].astype("str")
    article = np.where(kind.str.slice(0, 1).isin(list("aeiou")), "an ", "a ")
    words = pd.DataFrame({"kind": np.where(kind == "", "a treatment", article + kind), "bypass": pairs["bypass"]})
    return pd.Series(joined + fill(_ENDINGS[mistake], words).to_numpy(dtype=object), dtype="str")
