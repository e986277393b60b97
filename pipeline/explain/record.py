"""The readings of every sample as arrays: what was received, how well it is known, how it was written."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.checks import evidence
from pipeline.checks.alkalinity import TREATED_STAGES
from pipeline.checks.hardness import SOFTENED_WORDS
from pipeline.checks.record import as_numbers, instants
from pipeline.explain import no_witness
from pipeline.normalise.sample_table import column_numbers, places
from pipeline.texts import TextColumn, numbered
from schemas.columns import ANALYTES, WIDE_COLUMNS
from schemas.methods import METHODS

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.normalise.sample_table import SampleTable


# Quantities that are often read twice for one bottle: the second reading is a row of its own.
SECOND: Final = ("total_hardness", "alkalinity", "conductivity")
# What nobody read: meq/L of an ion that is not in the record. 0 as received.
UNREAD: Final = ("unread cation", "unread anion")
ROWS: Final[tuple[str, ...]] = (*ANALYTES, *(f"second {name}" for name in SECOND), *UNREAD)
ROW: Final[dict[str, int]] = {name: place for place, name in enumerate(ROWS)}
COUNTED: Final = ("drops", "typed", "strip", "unknown")
_SMALLEST: Final = 0.002  # no reading is better known than that, relative (k = 1) [CP]
_WIDEST: Final = 0.6  # nor worse: a number was read, and it was not 0 (k = 1, relative) [CP]
_FIRST_DROP: Final = (1.0 / np.e, 1.0)  # of a drop, and relative: ln x of anything from 0 to one drop [JCGM100, 4.3.7]
_NUMBER: Final = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_PLAIN_NUMBER: Final = f"^{_NUMBER}$"
_NUMBER_WITH_UNIT: Final = rf"^(?P<number>{_NUMBER})\s*[^\d\s.±~/+–-]\S*(?:\s+[^\d\s]\S*)*$"  # no word is a number
_HOW_WRITTEN: Final = ("value", "uncertainty", "form", "method", "drops", "degree_per_drop", "nominal_ml", "used_ml")
_READINGS_AT_ONCE: Final = 1 << 18  # what is worked out of each takes a dozen numbers for a moment
_TYPED_ROUNDED: Final = 0.006  # relative: what rounding leaves between a count and its typed value (k = 1) [CP]


@dataclass(frozen=True)
class Record:
    """Readings of (n,) samples, one row per quantity of ROWS.

    Attributes
    ----------
    amounts : (r, n) in the canonical unit; the middle of the range where only a range is known.
    spread : (r, n) standard uncertainty (k = 1) in the same unit [JCGM100].
    half : (r, n) half a drop: what to add to the middle of a count's interval to have the count again; 0 else.
    exact : (r, n) a number was read, not only a bound.
    unit_worth : (r, n) canonical units in one unit of the number as it was written; 1 where that is not known.
    written : (r, n) the number as it stood in the file, drops of a count; ``amounts`` where that is not known.
    unit_known : (r, n) whether that is known.
    step : (r, n) worth of one drop; missing where not counted.
    volume : (r, n) nominal over used sample volume; missing where not recorded.
    counted : (r, n) a reading of a drop kit, a strip, or typed by hand.
    treated, softened : (n,) what the record says of the water.
    laboratory_tds : (n,) dissolved solids were weighed or summed, not shown by a meter.
    reckoned : (s, n) the second reading (rows of SECOND) was typed beside the count or the volumes it comes from.
    """

    index: pd.Index
    amounts: Floats
    spread: Floats
    half: Floats
    exact: Flags
    unit_worth: Floats
    written: Floats
    unit_known: Flags
    step: Floats
    volume: Floats
    counted: Flags
    treated: Flags
    softened: Flags
    laboratory_tds: Flags
    reckoned: Flags

    def __len__(self) -> int:
        """Count the samples."""
        return len(self.index)

    def take(self, at: Places) -> Record:
        """Keep the samples at these places."""
        arrays = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "index"}
        return Record(index=self.index[at], **{name: array[..., at] for name, array in arrays.items()})


_TWINS: Final = 4  # samples of one visit; more are a series of their own
_VISIT: Final = 0.05  # what a tap varies by within a visit, relative (k = 1) [CP]


def record_of(samples: SampleTable) -> Record:
    """Lay the readings of a sample table out as arrays.

    Parameters
    ----------
    samples : the sample table; only what was read counts, never a stand-in computed from other readings.

    Returns
    -------
    Record, in the order of ``samples.about``.

    Notes
    -----
    A drop count stands for the middle of its interval, ((n − 1)·d, n·d]; its uncertainty is the one of the
    table. The first drop is anything from 0 to d, and ln x of that has the mean ln d − 1 and the deviation 1. A "<"
    reading is rectangular from 0 to its limit: the middle ± limit/√12 [JCGM100, 4.3.7].
    """
    size = (len(ROWS), len(samples))
    values, spread = np.full(size, np.nan), np.full(size, np.nan)
    step, volume = _unknown_of_kits(samples, size), _unknown_of_kits(samples, size)
    worth, written = np.ones(size), np.full(size, np.nan)
    exact, counted = np.zeros(size, dtype="bool"), np.zeros(size, dtype="bool")
    reckoned = np.zeros((len(SECOND), size[1]), dtype="bool")
    own = slice(0, len(WIDE_COLUMNS))
    method = np.array([samples.method[column].cat.codes for column in WIDE_COLUMNS])
    _add_preferred(samples, method == METHODS.index("derived"), (values[own], spread[own], exact[own]))
    counted[own] = np.array([*(name in COUNTED for name in METHODS), False])[method]
    _add_written(samples, (values, spread, worth, written, step, volume, exact, counted), reckoned)
    known = ~np.isnan(written)
    np.copyto(written, values, where=~known)
    kits, most = step.flags.writeable, np.full((1, 1), _WIDEST)
    half = np.zeros(size) if kits else np.broadcast_to(0.0, size)
    drop = exact & ~np.isnan(step)
    if drop.any():
        first = drop & (values <= step * (1.0 + _SMALLEST))
        middle = np.where(drop, np.maximum(values - step / 2.0, step / 4.0), values)
        middle = np.where(first, _FIRST_DROP[0] * step, middle)
        spread = np.where(first, _FIRST_DROP[1] * middle, spread)
        half = np.nan_to_num(np.where(drop, values - middle, 0.0))
        values, most = middle, np.where(first, _FIRST_DROP[1], _WIDEST)
    for place, name in enumerate(SECOND):  # a typed count is as far above the middle of the interval as the count is
        row, first_row = ROW[f"second {name}"], ROW[name]
        if not (kits and reckoned[place].any()):
            continue
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(
                reckoned[place] & (half[first_row] > 0), half[first_row] / (values[first_row] + half[first_row]), 0.0
            )
        half[row] = np.where(share > 0, share * values[row], half[row])
        values[row] = values[row] * (1.0 - share)
    laboratory_tds = np.asarray(samples.method["tds_mg_l"].isin(["laboratory", "burette"]))
    for name, flags in no_witness.computed(samples, values, laboratory_tds).items():
        values[ROW[name], flags] = spread[ROW[name], flags] = np.nan
        exact[ROW[name], flags] = False
    for name, flags in no_witness.by_difference(samples).items():
        spread[ROW[name]] = no_witness.loosened(values[ROW[name]], spread[ROW[name]], flags)
    _add_twins(samples, values, spread, half)
    values[ROW[UNREAD[0]] :] = 0.0
    spread[ROW[UNREAD[0]] :] = 0.0
    _bound_spread(values, spread, exact, most)
    return Record(
        index=samples.about.index,
        amounts=values,
        spread=spread,
        half=half,
        exact=exact,
        unit_worth=worth,
        written=written,
        unit_known=known,
        step=step,
        volume=volume,
        counted=counted,
        treated=samples.fact("stage").isin(TREATED_STAGES),
        softened=evidence.says(samples, ("supply", "treatment", "comment"), SOFTENED_WORDS),
        laboratory_tds=laboratory_tds,
        reckoned=reckoned,
    )


def _unknown_of_kits(samples: SampleTable, size: tuple[int, int]) -> Floats:
    """Give rows of nothing, to be filled where readings of kits are among the samples; else they take no memory."""
    kits = any(name in samples.readings and samples.readings[name].notna().any() for name in ("drops", "used_ml"))
    return np.full(size, np.nan) if kits else np.broadcast_to(np.nan, size)


def _bound_spread(values: Floats, spread: Floats, exact: Flags, most: Floats) -> None:
    """Let no reading be known better or worse than any is; ``spread`` is a new array of `record_of`, changed in place.

    ``most`` is the largest relative uncertainty of a number that was read.
    """
    for row, (value, wide) in enumerate(zip(values, spread, strict=True)):  # whole arrays would be made anew five times
        size = np.abs(value)
        np.fmax(wide, 0.02 if row == ROW["ph"] else _SMALLEST * size, out=wide)
        wide[np.isnan(value)] = np.nan
        if row < len(WIDE_COLUMNS) and row not in (ROW["ph"], ROW["temperature"]):
            np.minimum(wide, np.broadcast_to(most, values.shape)[row] * size, out=wide, where=exact[row])


def _add_preferred(samples: SampleTable, derived: Flags, parts: tuple[Floats, Floats, Flags]) -> None:
    """Add the readings that were chosen for the table; of a range its middle.

    ``parts`` are rows of new arrays of `record_of`: values, spread and exact, filled in place.
    """
    values, spread, exact = parts
    wide, low, high, uncertainty = (
        frame.to_numpy(dtype="float64").T
        for frame in (samples.measured, samples.low, samples.high, samples.uncertainty)
    )
    values[:] = wide
    np.divide(uncertainty, 2.0, out=spread)
    bound = np.isnan(wide) & ~np.isnan(low) & ~np.isnan(high) & ~derived
    values[bound] = (low[bound] + high[bound]) / 2.0
    spread[bound] = (high[bound] - low[bound]) / np.sqrt(12.0)
    exact[:] = ~np.isnan(wide)


def _add_written(
    samples: SampleTable,
    parts: tuple[Floats, Floats, Floats, Floats, Floats, Floats, Flags, Flags],
    reckoned: Flags,
) -> None:
    """Add how the preferred reading was written, and the second reading of the quantities read twice.

    ``parts`` and ``reckoned`` are new arrays of `record_of`, filled in place before anyone else sees them.
    """
    values, spread, worth, written, step, volume, exact, counted = parts
    readings = samples.readings
    if "counts" in readings and not readings["counts"].all():
        readings = readings[readings["counts"]]
    if "raw_text" not in readings or readings.empty:
        return
    owner, quantity = places(samples.about.index, readings["sample_id"]), column_numbers(readings["analyte"])
    kept = (owner >= 0) & (quantity >= 0)
    at, what, readings = owner[kept], quantity[kept], readings if kept.all() else readings[kept]
    value = readings["value"].to_numpy(dtype="float64")
    other = value != samples.measured.to_numpy(dtype="float64")[at, what]
    rank = _ranks(what * len(samples) + at, other, readings["line"].to_numpy())
    figures = _figures(readings)
    readings = readings[[name for name in _HOW_WRITTEN if name in readings]]
    first = np.flatnonzero((rank == 0) & ~other)
    kits = step.flags.writeable
    for rows in np.array_split(first, len(first) // _READINGS_AT_ONCE + 1):
        found, place = _written(readings.iloc[rows], figures[rows]), (what[rows], at[rows])
        worth[place], written[place] = found.unit_worth, found.figure
        if kits:
            step[place], volume[place] = found.step, found.volume
    for name in SECOND:
        row, code = ROW[f"second {name}"], ROW[name]
        rows = np.flatnonzero((rank == 1) & (what == code) & ~np.isnan(value))
        found, cell = _written(readings.iloc[rows], figures[rows]), (row, at[rows])
        values[cell] = found.value
        spread[cell] = np.where(found.typed, _TYPED_ROUNDED * found.value, found.uncertainty / 2.0)
        reckoned[SECOND.index(name), at[rows]] = found.typed
        worth[cell], written[cell] = found.unit_worth, found.figure
        exact[cell] = True
        if kits:
            step[cell] = found.step
            volume[cell] = np.where(found.typed, volume[code, at[rows]], found.volume)
        counted[cell] = found.counted


def _ranks(cell: Places, other: Flags, line: npt.NDArray[np.integer[Any]]) -> Places:
    """Give the readings of each cell numbers: the one that was chosen first, then by line."""
    rank = np.zeros(len(cell), dtype="int64")
    several = np.flatnonzero(np.bincount(cell, minlength=1)[cell] > 1)
    order = several[np.lexsort((line[several], other[several], cell[several]))]
    rank[order] = counted_up(cell[order])
    return rank


def counted_up(group: Places) -> Places:
    """Give the rows of each group numbers from 0; ``group`` is sorted."""
    return np.asarray(np.arange(len(group)) - np.searchsorted(group, group), dtype="int64")


def _add_twins(samples: SampleTable, values: Floats, spread: Floats, half: Floats) -> None:
    """Take the same quantity of another sample of the same visit as the second reading, where there is no own one.

    A visit is one site, one stage and one day; where no day is stated, a site with two samples of one stage. Of two
    samples that state neither stage nor point one may stand before and one behind a treatment: they are no twins.
    """
    about = samples.about
    if "site" not in about or len(about) < 2:  # noqa: PLR2004 -- a twin needs two
        return
    parts = [samples.fact(name) for name in ("client", "site", "sampling_point", "stage")]
    day = samples.once(instants, "collected_at").astype("datetime64[D]")
    _, of_day = np.unique(day, return_inverse=True)
    _, code = np.unique(numbered(parts) * len(day) + of_day, return_inverse=True)
    size = np.bincount(code)[code]
    placed = parts[1].stated() & (parts[2].stated() | parts[3].stated())
    visit = placed & (size > 1) & ((~np.isnat(day) & (size <= _TWINS)) | (size == 2))  # noqa: PLR2004 -- a pair
    for name in SECOND:
        row, read_ = ROW[f"second {name}"], ROW[name]
        known = np.flatnonzero(visit & ~np.isnan(values[read_]) & (values[read_] > 0))
        relative = spread[read_, known] / values[read_, known]
        at = known[np.lexsort((relative, code[known]))]
        begin, end = (np.searchsorted(code[at], code[at], side) for side in ("left", "right"))
        leader, runner = at[begin], at[np.minimum(begin + 1, end - 1)]
        other = np.where(at == leader, runner, leader)
        open_ = (other != at) & np.isnan(values[row, at])
        own, twin = at[open_], other[open_]
        values[row, own] = values[read_, twin]
        if half.flags.writeable:
            half[row, own] = half[read_, twin]
        spread[row, own] = np.hypot(spread[read_, twin], _VISIT * values[read_, twin])


@dataclass(frozen=True)
class _Written:
    """Readings of (m,) lines: the number as it was written, what one of its units is worth, how it was obtained."""

    value: Floats
    uncertainty: Floats
    unit_worth: Floats
    figure: Floats
    step: Floats
    volume: Floats
    typed: Flags
    counted: Flags


def _figures(readings: pd.DataFrame) -> Floats:
    """Read the numbers as they were written, with or without their unit; missing where more than that was."""
    codes, texts = pd.factorize(readings["raw_text"])
    plain = pc.utf8_trim_whitespace(pc.replace_substring(pa.array(texts.astype("str"), pa.string()), ",", "."))
    number_only = pc.if_else(pc.match_substring_regex(plain, _PLAIN_NUMBER), plain, None)
    if (more := number_only.is_null()).true_count:
        with_unit = pc.struct_field(pc.extract_regex(plain.filter(more), _NUMBER_WITH_UNIT), "number")
        number_only = pc.replace_with_mask(number_only, more, with_unit)
    return np.append(pc.cast(number_only, pa.float64()).to_numpy(zero_copy_only=False), np.nan)[codes]


def _written(readings: pd.DataFrame, figure: Floats) -> _Written:
    """Tell what one unit of the numbers is worth as they were written, ``figure``."""
    drops, degree, nominal, used = (
        as_numbers(readings, name).to_numpy() for name in ("drops", "degree_per_drop", "nominal_ml", "used_ml")
    )
    form = TextColumn.of(readings, "form")
    value = readings["value"].to_numpy(dtype="float64")
    is_count = form.isin(["drops"]) & ~np.isnan(drops)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = nominal / used
        worth = np.where(is_count, degree, np.where(figure > 0, value / figure, np.nan))
    return _Written(
        value=value,
        uncertainty=readings["uncertainty"].to_numpy(dtype="float64"),
        unit_worth=np.where(np.isnan(worth), 1.0, worth),
        figure=np.where(is_count, drops, np.where(np.isnan(worth), np.nan, figure)),
        step=np.where(is_count, degree * np.where(np.isnan(ratio), 1.0, ratio), np.nan),
        volume=ratio,
        typed=form.isin(["typed"]),
        counted=TextColumn.from_series(readings["method"]).isin(COUNTED),
    )
