"""The answers of every sample: what was weighed, as probabilities, in the order in which they are told."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.explain.mistakes.catalogue import catalogue, every
from pipeline.explain.priors import SEVERAL, UNNAMED, UNNAMED_ALIKE
from pipeline.explain.record import counted_up

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places

MOST_TOLD: Final = 6  # explanations told per sample
LEAST_TOLD: Final = 0.01  # probability below which an explanation is not told
ENOUGH: Final = 0.5  # probability of no mistake from which nothing is explained, if the record agrees within 95 %
SURE: Final = 0.9  # the same, however it agrees


@cache
def without_name() -> Flags:
    """Tell the candidates that are told as "none of these"."""
    return np.isin(every("mistake"), (UNNAMED, *UNNAMED_ALIKE))


@cache
def answer_codes() -> Places:
    """Give the place in the catalogue that stands for each candidate's answer: steps of one unknown are one answer."""
    codes = np.arange(len(catalogue()))
    codes[without_name()] = np.flatnonzero(without_name())[0]
    return codes


def answers_of(weighed: pd.DataFrame) -> pd.DataFrame:
    """Turn log posteriors into probabilities, one row per sample and answer; the likeliest step stands for it.

    Of what nobody is told only "no mistake" and "none of these" are left.
    """
    sample, candidate, log = (weighed[name].to_numpy() for name in ("sample", "candidate", "log_posterior"))
    top = np.full(sample.max(initial=-1) + 1, -np.inf)
    np.maximum.at(top, sample, log)
    weight = np.exp(log - top[sample])
    share = weight / pd.Series(weight).groupby(sample).transform("sum").to_numpy()
    steps = without_name()[candidate]  # every other answer is one candidate
    alone, several = np.flatnonzero(~steps), np.flatnonzero(steps)
    several = several[np.lexsort((-share[several], sample[several]))]
    begins = np.diff(sample[several], prepend=-1) != 0
    rows = np.append(alone, several[begins])
    total = np.append(share[alone], np.bincount(np.cumsum(begins) - 1, weights=share[several]))
    answer = answer_codes()[candidate[rows]]
    left = (total >= LEAST_TOLD) | (answer == 0) | without_name()[answer]
    rows, total, answer = rows[left], total[left], answer[left]
    order = np.argsort(sample[rows] * answer_codes().size + answer, kind="stable")
    found: pd.DataFrame = weighed.iloc[rows[order]].reset_index(drop=True)
    return found.assign(answer=answer[order], probability=np.minimum(total[order], 1.0))


def ranked_answers(answers: pd.DataFrame, doubted: Flags) -> pd.DataFrame:
    """Rank the answers of every sample and keep those that are told; all of them where a check holds it."""
    sample, answer, likely, misfit, relations = (
        answers[name].to_numpy() for name in ("sample", "answer", "probability", "misfit", "relations")
    )
    nothing = answer == 0
    calm = np.zeros(len(doubted), dtype="bool")
    agrees = (misfit <= _within(relations)) | (likely >= SURE)
    calm[sample[nothing]] = ((likely >= ENOUGH) & agrees)[nothing]
    calm &= ~doubted
    always = nothing | (every("mistake") == UNNAMED)[answer]
    at = np.lexsort((-likely, sample))
    told = always[at] | (counted_up(sample[at]) < MOST_TOLD)
    at = at[told & (~calm[sample[at]] | nothing[at])]
    ranked: pd.DataFrame = answers.iloc[at].reset_index(drop=True).assign(rank=counted_up(sample[at]) + 1)
    return ranked


def _within(relations: Floats) -> Floats:
    """Give the misfit that 95 % of records without a mistake stay below: chi-square [WILSON1931]."""
    number = np.maximum(relations, 1.0)
    return np.asarray(number * (1.0 - 2.0 / (9.0 * number) + 1.645 * np.sqrt(2.0 / (9.0 * number))) ** 3)


def unexplained(weighed: pd.DataFrame, size: int) -> Places:
    """Give the samples of which no single mistake is likelier than several at once, nor any that has a name."""
    sample, candidate, log = (weighed[name].to_numpy() for name in ("sample", "candidate", "log_posterior"))
    top = np.full((2, size), -np.inf)  # of all, and of those without a name
    np.maximum.at(top[0], sample, log)
    unnamed = np.flatnonzero(without_name()[candidate])
    np.maximum.at(top[1], sample[unnamed], log[unnamed])
    weight = np.exp(log - top[0, sample])
    whole, nameless = (np.bincount(sample[rows], weight[rows], size) for rows in (slice(None), unnamed))
    likeliest = np.zeros(size, dtype="bool")
    several = unnamed[(every("mistake") == SEVERAL)[candidate[unnamed]]]
    likeliest[sample[several]] = log[several] >= top[1, sample[several]]
    return np.flatnonzero(likeliest & (nameless >= ENOUGH * whole))


def best_named(weighed: pd.DataFrame, size: int) -> Floats:
    """Give the log posterior of each sample's likeliest explanation that has a name, "no mistake" among them."""
    best = np.full(size, -np.inf)
    rows = np.flatnonzero(~without_name()[weighed["candidate"].to_numpy()])
    np.maximum.at(best, weighed["sample"].to_numpy()[rows], weighed["log_posterior"].to_numpy()[rows])
    return best
