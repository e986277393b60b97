"""Which raw and treated sample of a site belong together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.verify.series import PAIR_DAYS, PERMEATE, RAW, TREATED

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Places


_VISIT: Final = pd.Timedelta(days=PAIR_DAYS).to_timedelta64()


def last_pair(samples: pd.DataFrame) -> tuple[str, str]:
    """Find the last treated sample and the raw sample of the same visit.

    Parameters
    ----------
    samples : `stage collected_at`, index `sample_id`, oldest first.

    Returns
    -------
    raw, treated : identifiers; "" where there is none. A blend is preferred to the permeate of its visit.
    """
    stage, when = samples["stage"].to_numpy(dtype=object), samples["collected_at"].to_numpy(dtype="datetime64[ns]")
    names = samples.index.astype("str")
    raw = np.flatnonzero(np.isin(stage, RAW) & ~np.isnat(when))
    behind = _behind(stage, when)
    for place in reversed(behind[~np.isnat(when[behind])].tolist() if raw.size else []):
        gap = np.abs(when[raw] - when[place])
        if gap.min() <= _VISIT:
            return str(names[raw[gap.argmin()]]), str(names[place])
    return "", str(names[behind[-1]]) if behind.size else ""


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


def _behind(stage: npt.NDArray[np.object_], when: npt.NDArray[np.datetime64]) -> Places:
    """Order what lies behind a treatment by day, the permeate before the blend of the same day; without a day first."""
    blended = np.isin(stage, TREATED)
    behind = np.flatnonzero(blended | np.isin(stage, PERMEATE))
    day = when[behind].astype("datetime64[D]")
    undated = np.isnat(day)
    order = np.lexsort((blended[behind], np.where(undated, np.datetime64(0, "D"), day), ~undated))
    return behind[order]
