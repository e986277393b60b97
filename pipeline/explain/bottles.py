"""Two bottles of a visit that do not go together: a reading of one of them is wrong, and hardly ever of both."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.check_evidence import INNOCENT
from pipeline.explain.mistakes.catalogue import every
from pipeline.explain.record import counted_up
from pipeline.explain.screen import APART

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Floats, Places

_LEAST: Final = 1e-12  # probability that still counts


def blamed(own: pd.DataFrame, pairs: pd.DataFrame, bottle: Floats, exchanged: Places) -> tuple[pd.DataFrame, Floats]:
    """Share what speaks against a pair out between its bottles.

    Each bottle was weighed as if the other one were right. So both are accused of what one of them has done.

    Parameters
    ----------
    own : `sample candidate rank probability`, the answers of each bottle; others may be among them.
    pairs : of `checks.pairs.matched_pairs`.
    bottle : (n,) how far each sample and the other bottle of its visit are apart, in standard uncertainties.
    exchanged : samples whose labels are exchanged; nothing is shared out there.

    Returns
    -------
    the answers with the probabilities and ranks that follow; and (n,) the probability that a reading of either bottle
    is wrong, missing where the two go together.

    Notes
    -----
    With the odds a and b of a mistake in each bottle, the other one being right: p = a / (1 + a + b) [JCGM106].
    """
    sample, probability = own["sample"].to_numpy(), own["probability"].to_numpy()
    cleared = np.isin(every("mistake"), INNOCENT)[own["candidate"].to_numpy()]
    weighed = np.zeros(len(bottle), dtype="bool")
    weighed[sample] = True
    innocent = np.bincount(sample, np.where(cleared, probability, 0.0), len(bottle)).clip(_LEAST, 1.0)
    odds = np.where(weighed, (1.0 - innocent) / innocent, 0.0)
    before, behind = pairs["raw"].to_numpy(), pairs["treated"].to_numpy()
    apart = (
        (np.fmax(bottle[before], bottle[behind]) >= APART) & ~np.isin(before, exchanged) & ~np.isin(behind, exchanged)
    )
    others = np.zeros(len(bottle))
    np.add.at(others, before[apart], odds[behind[apart]])
    np.add.at(others, behind[apart], odds[before[apart]])
    shared = np.zeros(len(bottle), dtype="bool")
    shared[before[apart]] = shared[behind[apart]] = True
    wrong = np.where(shared, odds / (1.0 + odds + others), 1.0 - innocent)
    either = np.where(shared, (odds + others) / (1.0 + odds + others), np.nan)
    if not shared.any():
        return own, either
    with np.errstate(divide="ignore", invalid="ignore"):
        less = np.where(wrong > 0, wrong / (1.0 - innocent), 1.0)[sample]
    scale = np.where(cleared, ((1.0 - wrong) / innocent)[sample], less)
    now = np.where(shared[sample], np.minimum(probability * scale, 1.0), probability)
    order = np.lexsort((own["rank"].to_numpy(), -np.where(shared[sample], now, 0.0), sample))
    told = own.assign(probability=now).iloc[order].reset_index(drop=True)
    return told.assign(rank=counted_up(told["sample"].to_numpy()) + 1), either
