"""The samples of one site in order: what is usable, which raw water belongs to which treated, since when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.treat.choosing.case import ALKALINITY, CONDUCTIVITY, HARDNESS
from pipeline.treat.processes.trains import main_stage
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from pipeline.arrays import Floats


RAW: Final = ("raw",)
UNSTATED: Final = ("",)  # taken as of the tap where no sample of the visit says that it is
TREATED: Final = ("treated", "machine_inlet")
PERMEATE: Final = ("permeate",)
PAIR_DAYS: Final = 1.0  # the same visit [CP]
USUAL_RELATIVE: Final = 0.10  # k = 2, of a reading that states none [CP]
LEAST_SHARE_U: Final = 0.005  # k = 1 of a share: no field reading resolves less [CP]

# The quantity that shows first what a treatment lets through.
_SHOWS: Final[dict[str, tuple[str, ...]]] = {
    "softener": (HARDNESS,),
    "softener bypass": (HARDNESS,),
    "magnesium exchanger": ("calcium_mg_l", "calcium_hardness_mg_l_caco3"),
    "reverse osmosis": (CONDUCTIVITY, HARDNESS),
    "demineraliser": (CONDUCTIVITY, HARDNESS),
}
# What a treatment adds falls when it is used up.
ADDS: Final = frozenset({"remineraliser", "calcite contact", "salt dosing"})


@dataclass(frozen=True)
class Series:
    """The treated readings of one filling, each with its raw water.

    Attributes
    ----------
    quantity : canonical column.
    day : (n,) days since ``start``; ``litres`` of the counter, all or none (then empty).
    treated, raw, treated_u, raw_u : (n,) values and k = 2; ``raw`` is missing where no raw sample exists.
    own_raw : (n,) whether the raw sample is of the same visit.
    start : moment of the first day; ``changed_on`` when the medium was put in, None where not known.
    permeate : whether it was read behind the membrane, before any blending.
    remarks : what was left out or put in order.
    """

    quantity: str
    day: Floats
    litres: Floats
    treated: Floats
    treated_u: Floats
    raw: Floats
    raw_u: Floats
    own_raw: npt.NDArray[np.bool_]
    start: pd.Timestamp
    changed_on: pd.Timestamp | None
    permeate: bool
    remarks: tuple[Said, ...]

    @property
    def counted(self) -> bool:
        """Whether the counter tells the places of the series; otherwise the days do."""
        return len(self.litres) > 0 and float(np.ptp(self.litres)) > 0

    @property
    def place(self) -> Floats:
        """Places along the series: litres, or days where no counter was read."""
        return self.litres if self.counted else self.day


def in_order(samples: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Said, ...]]:
    """Sort samples by day; say what has no day, what stood out of order and what shares a moment.

    Parameters
    ----------
    samples : `collected_at stage` and the canonical columns; other columns are carried along.
    """
    when = pd.to_datetime(samples["collected_at"], utc=True).dt.tz_localize(None)
    remarks = []
    undated = int(when.isna().sum())
    if undated:
        remarks.append(Said("verify.series.undated", {"count": undated}))
    known = samples.assign(collected_at=when)[when.notna().to_numpy()]
    if not all(days.is_monotonic_increasing for _, days in known.groupby("stage")["collected_at"]):
        remarks.append(Said("verify.series.order"))
    ordered = known.sort_values("collected_at", kind="stable")
    again = int(ordered.duplicated(["collected_at", "stage"]).sum())
    if again:
        remarks.append(Said("verify.series.same_time", {"count": again}))
    return ordered, tuple(remarks)


def treated_series(
    samples: pd.DataFrame, uncertainty: pd.DataFrame, treatment: str, changes: Sequence[pd.Timestamp]
) -> Series | None:
    """Take the readings behind the treatment since its last change, with the raw water of each.

    Parameters
    ----------
    samples : as ``in_order`` gives them, unique index.
    uncertainty : k = 2 of the canonical columns it has, same labels.
    treatment : name of the register.
    changes : days on which the medium was changed, in any order.

    Returns
    -------
    Series; None where no treated sample has a number of the quantity that shows the treatment.
    """
    found = _readings(samples, treatment)
    if found is None:
        return None
    quantity, treated, permeate = found
    since, changed_on, remarks = _since_change(treated, changes)
    raw = samples[samples["stage"].isin(RAW) & samples[quantity].notna()]
    place, own = _raw_of(since["collected_at"], raw["collected_at"])
    raw_value, raw_u = _number(raw, quantity), _spread(raw, uncertainty, quantity)
    litres = _number(since, "counter_litres")
    start = pd.Timestamp(since["collected_at"].iloc[0])
    return Series(
        quantity=quantity,
        day=days_since(since["collected_at"], start),
        litres=litres if not np.isnan(litres).any() and np.all(np.diff(litres) >= 0) else np.array([]),
        treated=_number(since, quantity),
        treated_u=_spread(since, uncertainty, quantity),
        raw=np.append(raw_value, np.nan)[place],
        raw_u=np.append(raw_u, np.nan)[place],
        own_raw=own,
        start=start,
        changed_on=changed_on,
        permeate=permeate,
        remarks=remarks,
    )


def shares(series: Series, *, adds: bool) -> tuple[Floats, Floats]:
    """Give what came through as a share of the raw water, with its standard uncertainty (k = 1).

    A raw sample of the same visit takes part with its own uncertainty; one raw value that stands for many
    visits shifts all shares alike and hides no change. Without raw water, or where the treatment adds,
    the share is of the highest reading.
    """
    alone = adds or bool(np.isnan(series.raw).any())
    whole = np.full(len(series.treated), series.treated.max()) if alone else series.raw
    whole = np.where(whole > 0, whole, 1.0)
    share = series.treated / whole
    own = np.where(series.own_raw & (not alone), series.raw_u, 0.0)
    spread = np.hypot(series.treated_u / whole, share * own / whole) / 2
    return share, np.maximum(spread, LEAST_SHARE_U)


def raw_course(samples: pd.DataFrame, uncertainty: pd.DataFrame) -> pd.DataFrame:
    """Put the raw samples of a site on one scale: how far all their quantities moved together.

    Returns
    -------
    one row per raw sample with hardness, alkalinity or conductivity: `collected_at`; `move`, the weighted
    mean of ln(value / median) over the quantities that at least three quarters of the samples have;
    `u`, its standard uncertainty (k = 1).
    """
    raw = samples[samples["stage"].isin(RAW)]
    names = [name for name in (HARDNESS, ALKALINITY, CONDUCTIVITY) if name in raw and raw[name].gt(0).mean() >= 0.75]  # noqa: PLR2004
    if raw.empty or not names:
        return pd.DataFrame({"collected_at": [], "move": [], "u": []})
    value = raw[names].where(raw[names] > 0).to_numpy(dtype="float64")
    spread = np.column_stack([_spread(raw, uncertainty, name) for name in names])
    move = np.log(value / np.nanmedian(value, axis=0))
    weight = np.where(np.isnan(move), 0.0, 1 / np.square(spread / np.where(np.isnan(value), 1.0, value) / 2))
    total = weight.sum(axis=1)
    mean = np.divide((np.nan_to_num(move) * weight).sum(axis=1), total, out=np.full(len(raw), np.nan), where=total > 0)
    frame = pd.DataFrame({"collected_at": raw["collected_at"].to_numpy(), "move": mean})
    return frame.assign(u=np.sqrt(1 / np.where(total > 0, total, np.nan))).dropna()


def days_since(moments: pd.Series, start: pd.Timestamp) -> Floats:
    """Express moments in days after a first one."""
    days: Floats = np.asarray((moments - start) / pd.Timedelta(days=1), dtype="float64")
    return days


def _readings(samples: pd.DataFrame, treatment: str) -> tuple[str, pd.DataFrame, bool] | None:
    for name in _SHOWS.get(main_stage(treatment), (ALKALINITY, HARDNESS)):
        if name not in samples:
            continue
        known = samples[samples[name].notna()]
        behind = known[known["stage"].isin(PERMEATE)]
        blended = known[known["stage"].isin(TREATED)]
        # The water behind the membrane tells more of it than the blend does, if it was read as often.
        permeate = len(behind) >= max(len(blended), 1)
        if len(behind) or len(blended):
            return name, behind if permeate else blended, permeate
    return None


def _since_change(
    treated: pd.DataFrame, changes: Sequence[pd.Timestamp]
) -> tuple[pd.DataFrame, pd.Timestamp | None, tuple[Said, ...]]:
    """Keep what was read after the last change of the medium: never is a line drawn through a change."""
    when = treated["collected_at"]
    known = [pd.Timestamp(day).tz_localize(None) for day in changes if pd.notna(day)]
    past = [day for day in known if day <= when.iloc[-1]]
    changed = max(past, default=None)
    remarks = []
    kept = treated if changed is None else treated[(when >= changed).to_numpy()]
    litres = _number(kept, "counter_litres")
    fell = np.flatnonzero(np.diff(litres) < 0)
    if len(fell):
        kept = kept.iloc[int(fell[-1]) + 1 :]
        changed = None
        first = kept["collected_at"].iloc[0]
        remarks.append(Said("verify.series.counter_fell", {"date": first}))
    left = len(treated) - len(kept)
    if left:
        remarks.append(Said("verify.series.before_change", {"count": left}))
    return kept, changed, tuple(remarks)


def _raw_of(treated: pd.Series, raw: pd.Series) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Find the raw sample of each treated one: of the same visit, else the last before, else the first after."""
    if raw.empty:
        return np.full(len(treated), -1), np.zeros(len(treated), dtype="bool")
    gap = (treated.to_numpy()[:, None] - raw.to_numpy()[None]) / np.timedelta64(1, "D")
    own = np.abs(gap).min(axis=1) <= PAIR_DAYS
    before = np.where(gap >= 0, gap, 1e6 - gap)
    place = np.where(own, np.abs(gap).argmin(axis=1), before.argmin(axis=1))
    return place.astype("int64"), own


def _number(frame: pd.DataFrame, name: str) -> Floats:
    if name not in frame:
        return np.full(len(frame), np.nan)
    values: Floats = pd.to_numeric(frame[name]).to_numpy(dtype="float64")
    return values


def _spread(frame: pd.DataFrame, uncertainty: pd.DataFrame, name: str) -> Floats:
    """Take the expanded uncertainty (k = 2) of a column; the usual one where none is stated."""
    usual = USUAL_RELATIVE * np.abs(_number(frame, name))
    if name not in uncertainty:
        return np.maximum(usual, 1e-9)
    stated = _number(uncertainty.reindex(frame.index), name)
    return np.maximum(np.where(np.isnan(stated), usual, stated), 1e-9)
