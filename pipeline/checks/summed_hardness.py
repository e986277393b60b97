"""Sources whose total hardness was never titrated: it is the sum of their calcium and magnesium."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM

if TYPE_CHECKING:
    from pipeline.arrays import Flags
    from pipeline.normalise.sample_table import SampleTable

_FEWEST: Final = 10  # records of a file before it shows a habit [CP]
_SHARE: Final = 0.5  # of them are sums: of titrated ones, known to 2 %, a fifth agree that well by chance [CP]
AS_SUM: Final = 0.005  # relative: rounded factors and printed digits leave less, a titration more [CP]


def summed_hardness(samples: SampleTable) -> Flags:
    """Tell the samples of files in which total hardness is computed from calcium and magnesium.

    Where such a hardness is not the sum, nobody misread a burette: calcium, magnesium or the hardness was changed or
    mistyped after the sum was made.

    Parameters
    ----------
    samples : total hardness, calcium and magnesium as read, `file_sha256`.

    Returns
    -------
    (n,) flags. A file shows it with ten records that have all three, half of them within 0.5 % of 2.497 Ca + 4.118 Mg
    [APHA2340B].
    """
    read = samples.measured
    parts = CACO3_PER_CALCIUM * read["calcium_mg_l"] + CACO3_PER_MAGNESIUM * read["magnesium_mg_l"]
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs((read["total_hardness_mg_l_caco3"] / parts).to_numpy(dtype="float64") - 1.0)
    source = samples.fact("file_sha256")
    size = len(source.texts)
    known, sums = (np.bincount(source.codes[rows], minlength=size) for rows in (~np.isnan(off), off <= AS_SUM))
    return np.asarray(source.stated() & ((known >= _FEWEST) & (sums >= _SHARE * known))[source.codes], dtype="bool")
