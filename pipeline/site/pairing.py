"""Which raw and treated sample of a site belong together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.treat.choosing.case import ALKALINITY, HARDNESS
from pipeline.verify.series import PAIR_DAYS, PERMEATE, RAW, TREATED, UNSTATED

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Places


_SALTS: Final = (HARDNESS, ALKALINITY)
_VISIT: Final = pd.Timedelta(days=PAIR_DAYS).to_timedelta64()


def last_pair(samples: pd.DataFrame) -> tuple[str, str]:
    """Find the last treated sample and the raw sample of the same visit.

    Parameters
    ----------
    samples : `stage collected_at`, index `sample_id`, oldest first.

    Returns
    -------
    raw, treated : identifiers; "" where there is none. A blend is preferred to the permeate of its visit, a sample
        that says where it was drawn to one that does not: that is taken as of the tap.
    """
    stage, when = samples["stage"].to_numpy(dtype=object), samples["collected_at"].to_numpy(dtype="datetime64[ns]")
    names = samples.index.astype("str")
    behind = _behind(stage, when)
    of_tap = [found for stages in (RAW, UNSTATED) if (found := _dated(stage, when, stages)).size]
    for place in reversed(behind[~np.isnat(when[behind])].tolist()):
        for raw in of_tap:
            gap = np.abs(when[raw] - when[place])
            if gap.min() <= _VISIT:
                return str(names[raw[gap.argmin()]]), str(names[place])
    return "", str(names[behind[-1]]) if behind.size else ""


def _dated(stage: npt.NDArray[np.object_], when: npt.NDArray[np.datetime64], stages: tuple[str, ...]) -> Places:
    """Find the samples of some stages that have a day."""
    return np.flatnonzero(np.isin(stage, stages) & ~np.isnat(when))


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
    when = samples["collected_at"].to_numpy(dtype="datetime64[ns]")
    stage = samples["stage"].to_numpy(dtype=object)
    salts = np.sum([samples[name].to_numpy(dtype="float64", na_value=np.nan) for name in _SALTS], axis=0)
    fresh = when >= np.datetime64(max(changes, default=pd.Timestamp.min), "ns")
    raw = _dated(stage, when, (*RAW, *UNSTATED))
    behind = np.flatnonzero(np.isin(stage, TREATED) & ~np.isnat(when) & fresh)
    if not raw.size or not behind.size:
        return None
    gap = np.abs(when[behind][:, None] - when[raw][None])
    nearest = raw[gap.argmin(axis=1)]
    took = np.where(gap.min(axis=1) <= _VISIT, salts[nearest] - salts[behind], np.nan)
    if np.isnan(took).all():
        return None
    best = int(np.nanargmax(took))
    return str(samples.index[nearest[best]]), str(samples.index[behind[best]])


def _behind(stage: npt.NDArray[np.object_], when: npt.NDArray[np.datetime64]) -> Places:
    """Order what lies behind a treatment by day, the permeate before the blend of the same day; without a day first."""
    blended = np.isin(stage, TREATED)
    behind = np.flatnonzero(blended | np.isin(stage, PERMEATE))
    day = when[behind].astype("datetime64[D]")
    undated = np.isnat(day)
    order = np.lexsort((blended[behind], np.where(undated, np.datetime64(0, "D"), day), ~undated))
    return behind[order]
