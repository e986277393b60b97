"""The readings of every sample as arrays: what was received, how well it is known, how it was written."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.checks import evidence
from pipeline.checks.hardness import SOFTENED_WORDS
from pipeline.checks.record import moment, number
from pipeline.normalise.sample_table import column_numbers, places
from schemas.columns import ANALYTES, WIDE_COLUMNS
from schemas.methods import METHODS

if TYPE_CHECKING:
    from pipeline.normalise.sample_table import SampleTable

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Places = npt.NDArray[np.int64]

# Quantities that are often read twice for one bottle: the second reading is a row of its own.
SECOND: Final = ("total_hardness", "alkalinity", "conductivity")
# What nobody read: meq/L of an ion that is not in the record. 0 as received.
UNREAD: Final = ("unread cation", "unread anion")
ROWS: Final[tuple[str, ...]] = (*ANALYTES, *(f"second {name}" for name in SECOND), *UNREAD)
ROW: Final[dict[str, int]] = {name: place for place, name in enumerate(ROWS)}
TREATED_STAGES: Final = ("treated", "machine_inlet", "permeate", "bottled", "hot_outlet")
COUNTED: Final = ("drops", "typed", "strip", "unknown")
_SMALLEST: Final = 0.002  # no reading is better known than that, relative (k = 1) [CP]
_WIDEST: Final = 0.6  # nor worse: a number was read, and it was not 0 (k = 1, relative) [CP]
_FIRST_DROP: Final = (1.0 / np.e, 1.0)  # of a drop, and relative: ln x of anything from 0 to one drop [JCGM100, 4.3.7]
_TYPED_DROPS: Final = 0.3  # of a drop: what rounding leaves between a count and its typed value (k = 1) [CP]


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

    def __len__(self) -> int:
        """Count the samples."""
        return len(self.index)

    def take(self, at: Places) -> Record:
        """Keep the samples at these places."""
        arrays = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "index"}
        return Record(index=self.index[at], **{name: array[..., at] for name, array in arrays.items()})


_TWINS: Final = 4  # samples of one visit; more are a series of their own
_VISIT: Final = 0.05  # what a tap varies by within a visit, relative (k = 1) [CP]


def read(samples: SampleTable) -> Record:
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
    step, volume = np.full(size, np.nan), np.full(size, np.nan)
    worth, written = np.ones(size), np.full(size, np.nan)
    exact, counted = np.zeros(size, dtype="bool"), np.zeros(size, dtype="bool")
    wide = samples.measured.to_numpy(dtype="float64").T
    own = slice(0, len(WIDE_COLUMNS))
    low, high = (frame.to_numpy(dtype="float64").T for frame in (samples.low, samples.high))
    half = samples.uncertainty.to_numpy(dtype="float64").T / 2.0
    method = np.array([samples.method[column].cat.codes for column in WIDE_COLUMNS])
    derived = method == METHODS.index("derived")
    bound = np.isnan(wide) & ~np.isnan(low) & ~np.isnan(high) & ~derived
    values[own] = np.where(bound, (low + high) / 2.0, wide)
    spread[own] = np.where(bound, (high - low) / np.sqrt(12.0), half)
    exact[own] = ~np.isnan(wide)
    counted[own] = np.isin(method, [METHODS.index(name) for name in COUNTED])
    _add_written(samples, (values, spread, worth, written, step, volume, exact, counted))
    known = ~np.isnan(written)
    written = np.where(known, written, values)
    drop = exact & ~np.isnan(step)
    first = drop & (values <= step * (1.0 + _SMALLEST))
    middle = np.where(drop, np.maximum(values - step / 2.0, step / 4.0), values)
    middle = np.where(first, _FIRST_DROP[0] * step, middle)
    spread = np.where(first, _FIRST_DROP[1] * middle, spread)
    half = np.nan_to_num(np.where(drop, values - middle, 0.0))
    values = middle
    _add_twins(samples, values, spread, half)
    values[ROW[UNREAD[0]] :] = 0.0
    spread[ROW[UNREAD[0]] :] = 0.0
    least = np.where(np.arange(size[0])[:, None] == ROW["ph"], 0.02, _SMALLEST * np.abs(values))
    spread = np.where(np.isnan(values), np.nan, np.fmax(spread, least))
    most = np.where(first, _FIRST_DROP[1], _WIDEST)
    widest = np.where(exact & (np.arange(size[0])[:, None] < len(WIDE_COLUMNS)), most * np.abs(values), np.inf)
    widest[[ROW["ph"], ROW["temperature"]]] = np.inf
    spread = np.minimum(spread, widest)
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
        laboratory_tds=np.asarray(samples.method["tds_mg_l"].isin(["laboratory", "burette"])),
    )


def _add_written(
    samples: SampleTable, parts: tuple[Floats, Floats, Floats, Floats, Floats, Floats, Flags, Flags]
) -> None:
    """Add how the preferred reading was written, and the second reading of the quantities read twice.

    ``parts`` are new arrays of `read`, filled in place before anyone else sees them.
    """
    values, spread, worth, written, step, volume, exact, counted = parts
    readings = samples.readings
    if "counts" in readings and not readings["counts"].all():
        readings = readings[readings["counts"]]
    if "raw_text" not in readings or readings.empty:
        return
    at, what = places(samples.about.index, readings["sample_id"]), column_numbers(readings["analyte"])
    kept = (at >= 0) & (what >= 0)
    table = _written(readings[kept]).assign(at=at[kept], what=what[kept])
    chosen = samples.measured.to_numpy(dtype="float64")[table["at"], table["what"]]
    table = table.assign(other=(table["value"].to_numpy() != chosen))
    table = table.sort_values(["at", "what", "other", "line"], kind="stable")
    rank = table.groupby(["at", "what"]).cumcount().to_numpy()
    first, again = table[(rank == 0) & ~table["other"].to_numpy()], table[rank == 1]
    place = first["what"].to_numpy(), first["at"].to_numpy()
    worth[place], written[place] = first["worth"].fillna(1.0).to_numpy(), first["figure"].to_numpy()
    step[place], volume[place] = first["step"].to_numpy(), first["volume"].to_numpy()
    drop_of_first = pd.Series(first["step"].to_numpy(), index=pd.MultiIndex.from_arrays(place))
    for name in SECOND:
        row, code = ROW[f"second {name}"], ROW[name]
        rows = again[(again["what"] == code) & again["value"].notna()]
        cell = row, rows["at"].to_numpy()
        typed = (rows["form"] == "typed").to_numpy()
        drop = drop_of_first.reindex(pd.MultiIndex.from_arrays([np.full(len(rows), code), cell[1]])).to_numpy()
        values[cell] = rows["value"].to_numpy()
        usual = rows["uncertainty"].to_numpy() / 2.0
        spread[cell] = np.where(typed & ~np.isnan(drop), _TYPED_DROPS * drop, usual)
        worth[cell], written[cell] = rows["worth"].fillna(1.0).to_numpy(), rows["figure"].to_numpy()
        step[cell], exact[cell] = rows["step"].to_numpy(), True
        volume[cell] = np.where(typed, volume[code, cell[1]], rows["volume"].to_numpy())
        counted[cell] = rows["method"].isin(COUNTED).to_numpy()


def _add_twins(samples: SampleTable, values: Floats, spread: Floats, half: Floats) -> None:
    """Take the same quantity of another sample of the same visit as the second reading, where there is no own one.

    A visit is one site, one stage and one day; where no day is stated, a site with two samples of one stage.
    """
    about = samples.about
    if "site" not in about or len(about) < 2:  # noqa: PLR2004 -- a twin needs two
        return
    parts = [evidence.text(samples, name) for name in ("client", "site", "sampling_point", "stage")]
    day = moment(about, "collected_at").dt.strftime("%Y-%m-%d").fillna("")
    where = parts[0] + "|" + parts[1] + "|" + parts[2] + "|" + parts[3] + "|" + day
    code, _ = pd.factorize(where)
    size = np.bincount(code)[code]
    stated = (parts[1] != "").to_numpy()
    visit = stated & (size > 1) & (((day != "") & (size <= _TWINS)).to_numpy() | (size == 2))  # noqa: PLR2004 -- a pair
    for name in SECOND:
        row, code_row = ROW[f"second {name}"], ROW[name]
        known = visit & ~np.isnan(values[code_row]) & (values[code_row] > 0)
        table = pd.DataFrame({"visit": code, "worth": spread[code_row] / values[code_row], "at": np.arange(len(code))})[
            known
        ]
        table = table.sort_values(["visit", "worth"], kind="stable")
        rank = table.groupby("visit").cumcount().to_numpy()
        leader = table[rank == 0].set_index("visit")["at"]
        runner = table[rank == 1].set_index("visit")["at"]
        first = leader.reindex(table["visit"]).to_numpy()
        second = runner.reindex(table["visit"], fill_value=-1).to_numpy()
        at = table["at"].to_numpy()
        other = np.where(at == first, second, first)
        open_ = (other >= 0) & np.isnan(values[row, at])
        values[row, at[open_]] = values[code_row, other[open_]]
        half[row, at[open_]] = half[code_row, other[open_]]
        spread[row, at[open_]] = np.hypot(spread[code_row, other[open_]], _VISIT * values[code_row, other[open_]])


def _written(readings: pd.DataFrame) -> pd.DataFrame:
    """Read the numbers as they were written, and what one of their units is worth."""
    drops, degree = number(readings, "drops"), number(readings, "degree_per_drop")
    ratio = number(readings, "nominal_ml") / number(readings, "used_ml")
    form = readings["form"].astype("str") if "form" in readings else pd.Series("value", index=readings.index)
    codes, texts = pd.factorize(readings["raw_text"])
    plain = pd.Series(texts, dtype="str").str.replace(",", ".").str.strip()
    typed = pd.to_numeric(plain, errors="coerce").to_numpy(dtype="float64")
    figure = np.append(typed, np.nan)[codes]
    value = readings["value"].to_numpy(dtype="float64")
    is_count = (form == "drops").to_numpy() & drops.notna().to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        worth = np.where(is_count, degree, np.where(figure > 0, value / figure, np.nan))
    return pd.DataFrame(
        {
            "value": value,
            "uncertainty": readings["uncertainty"].to_numpy(dtype="float64"),
            "line": readings["line"].to_numpy(),
            "method": readings["method"].astype("str"),
            "form": form,
            "worth": worth,
            "figure": np.where(is_count, drops, np.where(np.isnan(worth), np.nan, figure)),
            "step": np.where(is_count, degree * ratio.fillna(1.0), np.nan),
            "volume": ratio.to_numpy(),
        },
        index=readings.index,
    )
