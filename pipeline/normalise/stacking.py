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
    joined: dict[str, object] = {}
    for name in frames[0].columns:
        columns = [frame[name] for frame in frames]
        if all(isinstance(column.dtype, pd.CategoricalDtype) for column in columns):
            joined[str(name)] = pd.api.types.union_categoricals(columns)
        else:
            joined[str(name)] = pd.concat(columns, ignore_index=True)
    return pd.DataFrame(joined)
