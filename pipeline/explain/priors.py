"""How common each mistake is, shared out among its variants."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.mistakes.catalogue import catalogue
from pipeline.explain.mistakes.two import decimals_lost
from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.mistakes.candidate import Candidate

UNNAMED: Final = "none-of-these"
SEVERAL: Final = "several-mistakes"
FOUND_BY_CHECK: Final = "found-by-check"  # what a check knows and no relation
DECIMALS_LOST: Final = "decimals-lost"  # in several numbers of one row
UNNAMED_ALIKE: Final = (SEVERAL, FOUND_BY_CHECK)  # told as "none of these"
STATED_SOFTENER: Final = 0.5  # prior of softened water where the record names a softener [CP]
SOFTENER_MOVED: Final = 0.2  # of the waters that changed for good: a softener was put in [CP]


@dataclass(frozen=True)
class Priors:
    """``log_prior`` of every candidate; ``seen_by`` checks and ``seen`` log ratio, both by candidate."""

    log_prior: Floats
    seen_by: tuple[tuple[str, ...], ...]
    seen: Floats


@cache
def priors() -> Priors:
    """Give the prior of every candidate of the catalogue.

    Returns
    -------
    Priors. A mistake's figure is divided among its variants by their weights: a mistake that can take ten forms
    fits more records by chance, and pays for it (Occam's razor, as Bayes has it). Two mistakes come together as often
    as chance has it.
    """
    rows = table("mistake_priors").fillna({"seen_by": "", "seen": 0.0})
    keys = zip(rows["mistake"].astype(str), rows["analyte"].astype(str), strict=True)
    figures = dict(zip(keys, rows["prior"].astype(float), strict=True))
    by = dict(zip(zip(rows["mistake"], rows["analyte"], strict=True), rows["seen_by"].astype(str), strict=True))
    ratio = dict(zip(zip(rows["mistake"], rows["analyte"], strict=True), rows["seen"].astype(float), strict=True))
    candidates = catalogue()
    singles = [one for one in candidates if not one.parts]
    total: dict[tuple[str, str, int], float] = {}
    for one in singles:
        total[_group(one)] = total.get(_group(one), 0.0) + one.weight
    named = [
        (one.mistake, one.analyte) if (one.mistake, one.analyte) in figures else (one.mistake, "*") for one in singles
    ]
    prior = [figures[key] * one.weight / total[_group(one)] for key, one in zip(named, singles, strict=True)]
    of = {id(one): value for one, value in zip(singles, prior, strict=True)}
    several = candidates[len(singles) :]
    row = figures[DECIMALS_LOST, "*"] / sum(decimals_lost(one) for one in several)
    two = [row if decimals_lost(one) else of[id(one.parts[0])] * of[id(one.parts[1])] / prior[0] for one in several]
    return Priors(
        log_prior=np.log(np.array([*prior, *two])),
        seen_by=(*(tuple(by[key].split()) for key in named), *(() for _ in two)),
        seen=np.array([*(ratio[key] for key in named), *(0.0 for _ in two)]),
    )


def _group(one: Candidate) -> tuple[str, str, int]:
    pairs_share = one.mistake in ("swapped-analytes", "missing-ion")
    return (one.mistake, "" if one.mistake == "missing-ion" else one.analyte, -1 if pairs_share else one.row)
