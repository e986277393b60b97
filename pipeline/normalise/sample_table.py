"""The table every check reads: one row per sample, with what is known about each number."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.normalise.conductivity import COMPENSATED_HERE
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES, COLUMNS, WIDE_COLUMNS
from schemas.methods import METHOD_RANK, METHODS, from_codes

if TYPE_CHECKING:
    from collections.abc import Callable

_CODES = list(ANALYTES)
_Result = TypeVar("_Result")


@dataclass(frozen=True)
class SampleTable:
    """Samples side by side in frames that share one index (``sample_id``).

    Attributes
    ----------
    about : what each sample is: ABOUT_COLUMNS, `file_sha256`, `line` of its first reading.
    measured : (n, 28) WIDE_COLUMNS as read; missing where there is no reading or it is censored.
    filled : ``measured`` plus stand-ins computed from other readings (hardness from Ca and Mg,
        alkalinity from bicarbonate, …); a check that compares two readings uses ``measured``.
    uncertainty : expanded uncertainty (k = 2) of ``filled``, in the unit of the column.
    low, high : bounds of each value: the drop interval, 0 to the limit for "<", else ± uncertainty.
    method : how each value was obtained (``schemas.methods.METHODS``), missing where no value.
    readings : every accepted reading, long, with `sample_id`; see ``schemas.readings``.
    earlier : usable samples of earlier batches at the same sites: `client site sampling_point stage
        collected_at` and canonical columns with `X.u` (k = 2); empty where nothing is known.
    """

    about: pd.DataFrame
    measured: pd.DataFrame
    filled: pd.DataFrame
    uncertainty: pd.DataFrame
    low: pd.DataFrame
    high: pd.DataFrame
    method: pd.DataFrame
    readings: pd.DataFrame
    earlier: pd.DataFrame = field(default_factory=pd.DataFrame)
    _known: dict[tuple[Any, ...], Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def once(self, work_out: Callable[..., _Result], *given: object) -> _Result:
        """Work something out of this table the first time it is asked for; a table never changes.

        Parameters
        ----------
        work_out : takes the table and what is given.
        given : whatever else the result depends on.
        """
        key = (work_out, *given)
        if key not in self._known:
            self._known[key] = work_out(self, *given)
        return cast("_Result", self._known[key])

    def fact(self, name: str) -> TextColumn:
        """Take a column of ``about`` as texts, each different one once; "" where it is absent or says nothing."""
        return self.once(_fact, name)

    def __len__(self) -> int:
        """Count the samples."""
        return len(self.about)

    def where(self, mask: pd.Series) -> SampleTable:
        """Keep the samples of a mask, one truth value for each in their order, and their readings."""
        wanted = mask.to_numpy(dtype="bool")
        frames = {
            name: getattr(self, name)[wanted]
            for name in ("about", "measured", "filled", "uncertainty", "low", "high", "method")
        }
        of_sample = np.append(wanted, False)[places(self.about.index, self.readings["sample_id"])]
        return replace(self, readings=self.readings[of_sample], **frames)


def _fact(samples: SampleTable, name: str) -> TextColumn:
    return TextColumn.of(samples.about, name)


def widen(about: pd.DataFrame, readings: pd.DataFrame) -> SampleTable:
    """Lay long readings out as one row per sample.

    Where a sample has several readings of one quantity the preferred method wins, then a conductivity
    stated at 25 °C before one that was brought there, then the smaller uncertainty, then the earlier line; the
    others stay in ``readings`` (a check compares them).
    ``filled`` equals ``measured`` here; ``normalise.derived.with_derived`` adds the stand-ins.

    Parameters
    ----------
    about : (n, …) frame indexed by unique `sample_id`.
    readings : (m, …) accepted readings with `sample_id analyte value limit qualifier value_low
        value_high uncertainty method line`.
    """
    chosen = _preferred(about.index, readings)
    shape = (len(WIDE_COLUMNS), len(about))  # quantity by quantity: each is one piece of memory
    cells = chosen["cell"].to_numpy()

    def lay(values: pd.Series) -> pd.DataFrame:
        flat = np.full(shape[0] * shape[1], np.nan)
        flat[cells] = values.to_numpy(dtype="float64")
        return pd.DataFrame(flat.reshape(shape).T, index=about.index, columns=WIDE_COLUMNS)

    method_codes = np.full(shape[0] * shape[1], -1, dtype="int8")
    method_codes[cells] = pd.Categorical(chosen["method"], categories=list(METHODS)).codes
    method = pd.DataFrame(
        {column: from_codes(codes) for column, codes in zip(WIDE_COLUMNS, method_codes.reshape(shape), strict=True)},
        index=about.index,
    )
    measured = lay(chosen["value"])
    return SampleTable(
        about=about,
        measured=measured,
        filled=measured,
        uncertainty=lay(chosen["uncertainty"]),
        low=lay(chosen["value_low"]),
        high=lay(chosen["value_high"]),
        method=method,
        readings=readings,
    )


def places(samples: pd.Index, owners: pd.Series) -> npt.NDArray[np.int64]:
    """Find the position of each reading's sample, -1 where it is none of them."""
    if not isinstance(owners.dtype, pd.CategoricalDtype):
        return np.asarray(samples.get_indexer(pd.Index(owners)), dtype="int64")
    known = owners.cat.categories
    at = np.arange(len(known)) if known.equals(samples) else samples.get_indexer(known)
    return np.append(at, -1).astype("int64")[owners.cat.codes.to_numpy()]


def column_numbers(analytes: pd.Series) -> npt.NDArray[np.int64]:
    """Find the place in WIDE_COLUMNS of each reading's quantity, -1 where it has no column."""
    named = analytes.astype("category")
    at = [_CODES.index(code) if code in ANALYTES else -1 for code in named.cat.categories]
    return np.array([*at, -1], dtype="int64")[named.cat.codes.to_numpy()]


def _preferred(samples: pd.Index, readings: pd.DataFrame) -> pd.DataFrame:
    """Pick one reading for every sample and quantity; `cell` is its place in the flat table."""
    analyte = column_numbers(readings["analyte"])
    sample = places(samples, readings["sample_id"])
    cell = np.where((analyte >= 0) & (sample >= 0), analyte * len(samples) + sample, -1)
    columns = ["value", "value_low", "value_high", "uncertainty", "method", "line"]
    columns += [name for name in ("note",) if name in readings]
    found = readings[columns].assign(cell=cell)
    if cell.min(initial=0) < 0:
        found = found[cell >= 0]
    count = np.bincount(found["cell"].to_numpy(), minlength=1)
    single = count[found["cell"].to_numpy()] == 1
    if single.all():
        return found
    several = found[~single]
    rank = several["method"].astype("str").map(METHOD_RANK).fillna(len(METHODS))
    computed = several.get("note", pd.Series("", index=several.index)).astype("str").str.contains(COMPENSATED_HERE)
    best = (
        several.assign(rank=rank, computed=computed)
        .sort_values(["cell", "rank", "computed", "uncertainty", "line"], kind="stable", na_position="last")
        .drop_duplicates("cell")
    )
    chosen: pd.DataFrame = pd.concat([found[single], best[found.columns]])
    return chosen


def samples_from_wide(frame: pd.DataFrame) -> SampleTable:
    """Build a table from wide rows: WIDE_COLUMNS, ABOUT_COLUMNS, and what is known of a value.

    Beside a column ``X`` the frame may carry ``X.method``, ``X.u`` (k = 2), ``X.low``, ``X.high``.
    For one-off questions on the command line, and for the documented good and bad cases of the checks.
    """
    wide = frame.copy()
    wide.index = pd.Index(wide.get("sample_id", pd.Series(wide.index)).astype("str"), name="sample_id")
    present = [column for column in WIDE_COLUMNS if column in wide]
    pieces = []
    for column in present:
        value = pd.to_numeric(wide[column])
        uncertainty = pd.to_numeric(wide.get(f"{column}.u", value * np.nan))
        low = pd.to_numeric(wide.get(f"{column}.low", value * np.nan))
        high = pd.to_numeric(wide.get(f"{column}.high", value * np.nan))
        piece = pd.DataFrame(
            {
                "sample_id": wide.index,
                "analyte": COLUMNS[column].code,
                "value": value.to_numpy(),
                "value_low": low.fillna(value - uncertainty.fillna(0.0)).to_numpy(),
                "value_high": high.fillna(value + uncertainty.fillna(0.0)).to_numpy(),
                "uncertainty": uncertainty.to_numpy(),
                "method": wide.get(f"{column}.method", pd.Series("laboratory", index=wide.index)).to_numpy(),
                "line": np.arange(1, len(wide) + 1),
            }
        )
        pieces.append(piece[piece["value"].notna() | piece["value_high"].notna()])
    known = [column for column in wide.columns if column not in present and "." not in str(column)]
    return widen(wide[[column for column in known if column != "sample_id"]], pd.concat(pieces, ignore_index=True))
