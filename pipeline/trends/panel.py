"""The readings of one quantity, with the place, the time and the device of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pipeline.trends.devices import Bias, DeviceReadings, device_bias
from schemas.columns import ANALYTES, OTHER_ANALYTES
from schemas.methods import METHODS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Codes, Flags, Floats


LINEAR: Final = frozenset({"ph", "temperature", "redox", "saturation_index", "calcite_dissolution"})
_PLACE: Final = ["client", "site", "sampling_point", "stage", "region"]
_REFERENCE: Final = ("laboratory", "burette", "public-data")
_DERIVED: Final = ("derived", "calculated")
_DAYS: Final = 365.25
_ONE_YEAR: Final = np.timedelta64(1, "Y")


@dataclass(frozen=True)
class SamplingPoints:
    """Every sampling point, and of every sample its place (-1: it names neither client nor site) and time.

    ``table``: `client site sampling_point stage region name`, one row a place. A site that moved into another
    region is another place, and compared with itself only within each.
    """

    table: pd.DataFrame
    place: Codes
    year: Floats
    cell: Codes


@dataclass(frozen=True)
class Panel:
    """Readings of one quantity, by place and time; ``value`` is free of what devices are known to read too much.

    ``limit``: not NaN where the reading lies below it; ``first``: the preferred reading of its sample.
    """

    analyte: str
    unit: str
    sample: Codes
    place: Codes
    year: Floats
    value: Floats
    limit: Floats
    first: Flags
    operator: Codes
    instrument: Codes
    drops: Flags
    bias: Bias | None
    judged: Codes

    @property
    def logarithmic(self) -> bool:
        """Tell whether errors and changes of the quantity are shares of it."""
        return self.analyte not in LINEAR


def sampling_points(samples: pd.DataFrame) -> SamplingPoints:
    """Give every sample its sampling point and its time."""
    keys = [samples[name].astype("category") for name in _PLACE]
    code = np.zeros(len(samples), dtype=np.int64)
    for key in keys:
        code = code * (len(key.cat.categories) + 1) + key.cat.codes.to_numpy(dtype=np.int64) + 1
    nameless = (samples["client"].astype("str") == "") & (samples["site"].astype("str") == "")
    _, first, number = np.unique(code, return_index=True, return_inverse=True)
    table = samples[_PLACE].iloc[first].astype("str").reset_index(drop=True)
    table["name"] = site_names(table)
    year = year_of(samples["collected_at"])
    region = samples["region"].astype("category").cat.codes.to_numpy(dtype=np.int64) + 1
    stage = samples["stage"].astype("category").cat.codes.to_numpy(dtype=np.int64) + 1
    cell = (region * 16 + stage) * 4000 + (year * 4).astype(np.int64) % 4000
    return SamplingPoints(table, np.where(nameless, -1, number), year, np.unique(cell, return_inverse=True)[1])


def site_names(table: pd.DataFrame) -> pd.Series:
    """Name the sites: the site alone where only one client has one of that name, else client / site."""
    pairs = table[["client", "site"]].drop_duplicates()
    several = set(pairs["site"][pairs["site"].duplicated(keep=False)])
    alone = table["site"].where(table["site"] != "", table["client"])
    both = table["client"] + " / " + table["site"]
    return alone.where(~table["site"].isin(several) | (table["client"] == "") | (table["site"] == ""), both)


def year_of(times: pd.Series) -> Floats:
    """Turn times into years with a fraction."""
    time = times.to_numpy().astype("datetime64[s]")
    start = time.astype("datetime64[Y]")
    gone = (time - start.astype("datetime64[s]")).astype(np.float64)
    return np.asarray(start.astype(np.int64) + 1970 + gone / _seconds_of(start), dtype=np.float64)


def day_of(year: float) -> str:
    """Write a time in years as a date."""
    start = np.datetime64(f"{int(year):04d}", "Y")
    gone = np.timedelta64(round((year % 1) * float(_seconds_of(start))), "s")
    return str((start.astype("datetime64[s]") + gone).astype("datetime64[D]"))


def _seconds_of(year: Any) -> Any:  # noqa: ANN401 - a year or an array of them
    """Give the length of a year [s]."""
    return ((year + _ONE_YEAR).astype("datetime64[s]") - year.astype("datetime64[s]")).astype(np.float64)


def quantity_unit(analyte: str, kinds: pd.DataFrame) -> str:
    """Give the unit of a quantity with its form."""
    if analyte in ANALYTES:
        known = ANALYTES[analyte]
        return f"{known.unit} {known.basis}".strip() if known.basis not in {"", "as ion"} else known.unit
    return str(kinds["unit"].iloc[0]) if len(kinds) else ""


def quantity_title(analyte: str) -> str:
    """Give the name of a quantity in words."""
    return ANALYTES[analyte].title if analyte in ANALYTES else OTHER_ANALYTES.get(analyte, analyte)


def panel_of(
    analyte: str, samples: pd.DataFrame, readings: pd.DataFrame, kinds: pd.DataFrame, places: SamplingPoints
) -> Panel:
    """Gather the readings of one quantity and free them of what devices read too much.

    Parameters
    ----------
    samples, readings, kinds : of ``store.observations``.
    """
    of_kind = (kinds["analyte"] == analyte).to_numpy()
    rows = readings[of_kind[readings["kind"].to_numpy()] & ~readings["above"].to_numpy()]
    rows = rows[(rows["value"].to_numpy() >= 0) | rows["limit"].notna() | (analyte in LINEAR)]
    sample, kind = rows["sample"].to_numpy(), rows["kind"].to_numpy()
    rank = kinds["method"].map({name: i for i, name in enumerate(METHODS)}).astype("float64").to_numpy()[kind]
    order = np.lexsort((rank, places.year[sample], places.place[sample]))
    order = order[places.place[sample[order]] >= 0]
    sample, kind, rank = sample[order], kind[order], rank[order]
    value, limit = rows["value"].to_numpy()[order], rows["limit"].to_numpy()[order]
    limit = np.where(np.isnan(value), limit, np.nan)
    best = np.full(len(samples), np.inf)
    np.minimum.at(best, sample, rank)
    _, first_rows = np.unique(np.where(rank == best[sample], sample, -1), return_index=True)
    first = np.zeros(len(sample), dtype=bool)
    first[first_rows] = True
    first &= rank == best[sample]
    method = kinds["method"].astype("str").to_numpy()[kind]
    operator = samples["operator"].cat.codes.to_numpy(dtype=np.int64)[sample]
    operator = np.where(_named(samples["operator"])[operator], operator, -1)
    instrument = kinds["instrument"].cat.codes.to_numpy(dtype=np.int64)[kind]
    instrument = np.where(_named(kinds["instrument"])[instrument], instrument, -1)
    laboratory, derived = np.isin(method, _REFERENCE), np.isin(method, _DERIVED)
    # Whoever names the instrument may be asked about it, a laboratory as well.
    reference = laboratory & (instrument < 0)
    operator = np.where(laboratory | derived, -1, operator)
    instrument = np.where(derived, -1, instrument)
    judged = np.flatnonzero(np.isfinite(value) & ((value > 0) | (analyte in LINEAR)) & ~derived)
    drops = method == "drops"
    degree = np.where(drops, kinds["degree_per_drop"].to_numpy(dtype=np.float64)[kind], np.nan)
    bias, free = None, value
    if (operator[judged] >= 0).any() or (instrument[judged] >= 0).any():
        place = places.place[sample]
        bias = device_bias(DeviceReadings(
            value[judged], places.year[sample][judged], _numbered(place[judged]),
            _numbered(places.cell[sample][judged]),
            operator[judged], instrument[judged], reference[judged], degree[judged], analyte not in LINEAR,
        ))  # fmt: skip
        free = value.copy()
        free[judged] = bias.corrected
    unit = quantity_unit(analyte, kinds[of_kind])
    return Panel(analyte, unit, sample, places.place[sample], places.year[sample], free, limit, first, operator,
                 instrument, drops, bias, judged)  # fmt: skip


def _named(column: pd.Series) -> Flags:
    """Tell which categories are names; one more at the end for code -1."""
    return np.array([*(str(name).strip() != "" for name in column.cat.categories), False])


def _numbered(codes: Codes) -> Codes:
    return np.unique(codes, return_inverse=True)[1]
