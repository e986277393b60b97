"""Putting the frames of several files one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

_ALWAYS: Final = frozenset(
    {"label", "client", "site", "sampling_point", "stage", "activity", "report_id", "supersedes"}
)


def stacked_frames(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put frames one after the other; a column that is a category in one of them stays a category."""
    if len(frames) <= 1:
        return frames[0] if frames else pd.DataFrame()
    joined: dict[str, object] = {}
    for name in frames[0].columns:
        columns = [frame[name] for frame in frames]
        if any(isinstance(column.dtype, pd.CategoricalDtype) for column in columns):
            joined[str(name)] = pd.api.types.union_categoricals([column.astype("category") for column in columns])
        else:
            joined[str(name)] = pd.concat(columns, ignore_index=True)
    return pd.DataFrame(joined)


def stacked_rows(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put the rows of several files one after the other; a text column a file never fills is "" there."""
    if len(frames) == 1:
        return frames[0]
    joined = pd.concat(frames, ignore_index=True)
    gaps = [name for name in joined if isinstance(joined[name].dtype, pd.StringDtype) and joined[name].hasnans]
    return joined.assign(**{str(name): joined[name].fillna("") for name in gaps})


def without_empty_texts(rows: pd.DataFrame) -> pd.DataFrame:
    """Drop the text columns in which no row says anything; a million empty texts cost memory for nothing.

    Columns that identify a sample or a report stay.
    """
    kept = [
        name
        for name in rows
        if name in _ALWAYS or not isinstance(rows[name].dtype, pd.StringDtype) or bool((rows[name] != "").any())
    ]
    return rows[kept]
