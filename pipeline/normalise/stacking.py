"""Putting the frames of several files one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence


def stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put frames one after the other; category columns stay categories."""
    if len(frames) <= 1:
        return frames[0] if frames else pd.DataFrame()
    unified = list(frames)
    for name in frames[0].columns:
        columns = [frame[name] for frame in frames]
        if all(isinstance(column.dtype, pd.CategoricalDtype) for column in columns):
            joined = pd.api.types.union_categoricals(columns)
            wanted = joined.categories
            unified = [frame.assign(**{name: frame[name].cat.set_categories(wanted)}) for frame in unified]
    return pd.concat(unified, ignore_index=True)
