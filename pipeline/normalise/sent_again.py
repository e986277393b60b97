"""Readings that another file has said already: the same sheet sent again, as it was or with a row more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.problems import no_problems, problem_frame

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from pipeline.arrays import Flags

# Two files say the same of a sample where all of this is equal; two meters that show one number are two readings.
_SAID: Final = ("analyte", "qualifier", "unit", "basis", "method", "form", "instrument", "value", "limit", "drops")
_PLACES: Final = 9  # decimals to which two values are compared


def repeated(readings: pd.DataFrame, replaced: Flags) -> Flags:
    """Find the new readings that an earlier file has said already.

    Parameters
    ----------
    readings : (m, …) readings that belong to samples, those of the store with `new` False, the new ones in the order
        of their files; `sample_id` as categories, `file_sha256`. Whether an earlier one still counts does not matter:
        who replaced or corrected it did so knowing what it said.
    replaced : (m,) flags of readings that a reading of this batch takes the place of, whatever that says.

    Returns
    -------
    (m,) flags. A reading that stands twice in one file is two readings there, and two of another file repeat them.
    """
    found = np.zeros(len(readings), dtype="bool")
    sample = readings["sample_id"].cat.codes.to_numpy()
    file = pd.factorize(readings["file_sha256"])[0]
    among = np.flatnonzero(_of_several_files(sample, file) & ~replaced)
    if not len(among):
        return found
    new = readings["new"].to_numpy(dtype="bool")[among]
    among = among[np.argsort(new, kind="stable")]
    said = readings[[name for name in _SAID if name in readings]].iloc[among]
    said = said.assign(**{name: said[name].astype("float64").round(_PLACES) for name in ("value", "limit", "drops")})
    said = said.assign(sample=sample[among])
    keys = list(said.columns)
    said["time"] = said.assign(file=file[among]).groupby([*keys, "file"], observed=True, dropna=False).cumcount()
    found[among[said.duplicated().to_numpy()]] = True
    found &= readings["new"].to_numpy(dtype="bool")
    return found


def _of_several_files(sample: npt.NDArray[np.integer], file: npt.NDArray[np.integer]) -> Flags:
    """Flag the readings of samples that more than one file speaks of."""
    if not len(file) or file.max() == 0:
        return np.zeros(len(sample), dtype="bool")
    any_file = np.zeros(int(sample.max()) + 1, dtype=file.dtype)
    any_file[sample] = file
    several = np.zeros(len(any_file), dtype="bool")
    several[sample[any_file[sample] != file]] = True
    flags: Flags = several[sample]
    return flags


def repeat_notices(readings: pd.DataFrame, repeats: Flags, names: Mapping[str, str]) -> pd.DataFrame:
    """Tell once per file how many of its readings were there already (PROBLEM_COLUMNS)."""
    if not repeats.any():
        return no_problems()
    new = readings["new"].to_numpy(dtype="bool")
    of_file = readings.loc[new, "file_sha256"].astype("str").value_counts()
    told = readings.loc[repeats, "file_sha256"].astype("str").value_counts().sort_index()
    files = pd.Series(told.index, dtype="str")
    said = pd.Series(told.to_numpy().astype("str"), dtype="str") + " of its "
    return problem_frame(
        "readings-repeated",
        file_sha256=files,
        line=0,
        column="",
        raw_text=files.map(dict(names)).fillna("").astype("str"),
        detail=said + of_file.reindex(told.index).to_numpy().astype("str"),
    )
