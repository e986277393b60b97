"""Which raw and treated sample of a site belong together."""

from __future__ import annotations

import pandas as pd

from pipeline.verify.series import PAIR_DAYS, PERMEATE, RAW, TREATED


def last_pair(samples: pd.DataFrame) -> tuple[str, str]:
    """Find the last treated sample and the raw sample of the same visit.

    Parameters
    ----------
    samples : `stage collected_at`, index `sample_id`, oldest first.

    Returns
    -------
    raw, treated : identifiers; "" where there is none. A blend is preferred to the permeate of its visit.
    """
    dated = samples[samples["collected_at"].notna()]
    raw = dated[dated["stage"].isin(RAW)]
    for name in reversed([str(found) for found in _behind(dated).index]):
        gap = (raw["collected_at"] - dated["collected_at"][name]).abs()
        near = gap[gap <= pd.Timedelta(days=PAIR_DAYS)]
        if len(near):
            return str(near.idxmin()), name
    behind = _behind(samples)
    return "", str(behind.index[-1]) if len(behind) else ""


def fullest_pair(samples: pd.DataFrame, changes: tuple[pd.Timestamp, ...]) -> tuple[str, str] | None:
    """Find the pair in which the medium in use took out most: what it does while it is fresh.

    A used-up medium takes out little; its life must not be worked out from that, or it looks long.

    Parameters
    ----------
    samples : as for `last_pair`, with canonical columns.
    changes : days on which the medium was changed.

    Returns
    -------
    raw, treated : identifiers of one visit; None where no visit has both hardness and alkalinity.
    """
    waters = samples[samples["collected_at"].notna()].sort_values("collected_at", kind="stable")
    salts = waters[["total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]].astype("float64").sum(axis=1, skipna=False)
    named = waters.assign(salts=salts, name=waters.index)[["collected_at", "stage", "salts", "name"]]
    behind = named[named["stage"].isin(TREATED) & (named["collected_at"] >= max(changes, default=pd.Timestamp.min))]
    pairs = pd.merge_asof(
        behind,
        named[named["stage"].isin(RAW)],
        on="collected_at",
        direction="nearest",
        tolerance=pd.Timedelta(days=PAIR_DAYS),
        suffixes=("", "_raw"),
    )
    took = (pairs["salts_raw"] - pairs["salts"]).dropna()
    if took.empty:
        return None
    best = int(took.to_numpy().argmax())
    names = pairs.loc[took.index, ["name_raw", "name"]].astype("str").to_numpy()[best]
    return str(names[0]), str(names[1])


def _behind(samples: pd.DataFrame) -> pd.DataFrame:
    """Order what lies behind a treatment by day, the permeate before the blend of the same day."""
    behind = samples[samples["stage"].isin([*TREATED, *PERMEATE])]
    day, blended = behind["collected_at"].dt.floor("D"), behind["stage"].isin(TREATED)
    order = behind.assign(day=day, blended=blended).sort_values(["day", "blended"], kind="stable", na_position="first")
    return order.drop(columns=["day", "blended"])
