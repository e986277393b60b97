"""How calcium, magnesium and sodium share the cations, before and after a treatment; and what that means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.chemistry.equivalents import calcium_and_magnesium, milliequivalents
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Mapping

IONS: Final = ("calcium", "magnesium", "sodium")


def mineral_shares(waters: pd.DataFrame) -> pd.DataFrame:
    """Share of calcium, magnesium and sodium among the three, by equivalents.

    Two waters of one hardness can be all calcium or half magnesium; makers of exchangers speak of taste, and
    here stand the figures they speak of.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns.

    Returns
    -------
    (n, 3) frame, same index: ``calcium_share magnesium_share sodium_share`` [-]; missing where one of the three
    is not known or all are 0.

    Example
    -------
    >>> water = pd.DataFrame([{"calcium_mg_l": 40.078, "magnesium_mg_l": 12.1525, "sodium_mg_l": 22.98977}])
    >>> mineral_shares(water).to_numpy().tolist()
    [[0.5, 0.25, 0.25]]
    """
    pair = calcium_and_magnesium(waters)
    amounts = pd.DataFrame({ion: milliequivalents(pair if f"{ion}_mg_l" in pair else waters, ion) for ion in IONS})
    total = amounts.sum(axis=1, skipna=False)
    return amounts.div(total.where(total > 0.0), axis=0).add_suffix("_share")


def said_shares(before: Mapping[str, float], after: Mapping[str, float]) -> tuple[Said, ...]:
    """Say the shares of one water before and after, and what sources do and do not claim of them.

    Parameters
    ----------
    before, after : one row of `mineral_shares` each.

    Returns
    -------
    nothing where a share is not known.

    Notes
    -----
    Binding energies computed for magnesium, calcium and sodium [HENDON2014]; the review of espresso water names
    sodium with bicarbonate as what changes the flow [NR2010]. Neither gives a share to aim at.
    """
    shares = [float(side[f"{ion}_share"]) for side in (before, after) for ion in IONS]
    if any(pd.isna(share) for share in shares):
        return ()
    names = [f"{ion}_{side}" for side in ("before", "after") for ion in IONS]
    percent: dict[str, object] = {name: 100.0 * share for name, share in zip(names, shares, strict=True)}
    return Said("treat.mineral-shares", percent), Said("treat.minerals-claimed")
