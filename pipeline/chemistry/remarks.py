"""Turn one flag per fault into one sentence per water, at a cost that does not grow with the faults."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray


def remarks(flags: Mapping[str, NDArray[np.bool_]], index: pd.Index) -> pd.Series[str]:
    """Join the phrases whose flag is set, in the order of the mapping.

    Parameters
    ----------
    flags : phrase -> (n,) flags; up to 62 phrases.
    index : (n,) index of the result.

    Returns
    -------
    (n,) series of text, phrases joined by "; ", empty where no flag is set.

    Example
    -------
    >>> set_flags = {"no pH": np.array([True, False]), "no calcium": np.array([True, False])}
    >>> remarks(set_flags, pd.RangeIndex(2)).tolist()
    ['no pH; no calcium', '']
    """
    start = np.zeros(len(index), dtype="int64")
    codes = sum((flag.astype("int64") << bit for bit, flag in enumerate(flags.values())), start=start)
    unique, rows = np.unique(codes, return_inverse=True)
    phrases = list(enumerate(flags))
    texts = ["; ".join(phrase for bit, phrase in phrases if code >> bit & 1) for code in unique.tolist()]
    return pd.Series(pd.array(texts, dtype="str").take(rows), index=index)
