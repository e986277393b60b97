"""How many of the trends that are told may be chance: the false-discovery rate over all series tested."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pipeline.arrays import Floats


def discovery_rate(p: Floats) -> Floats:
    """Turn probabilities into q (Benjamini & Hochberg 1995): the share of chance among all that are at most as rare.

    Series without a test (NaN) stay without and do not count among the tests.
    """
    q = np.full(len(p), np.nan)
    tested = np.flatnonzero(np.isfinite(p))
    order = tested[np.argsort(p[tested], kind="stable")]
    scaled = p[order] * len(order) / np.arange(1, len(order) + 1)
    q[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return q
