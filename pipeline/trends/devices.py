"""Meters, kits and people that read high or low: what they read beside the laboratory and one another.

Every reading is put down to its place, the weather of its region in that quarter, the person and the instrument.
The laboratory reads zero; where no laboratory read at the same places, the devices are compared with one another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.trends.cells import group_medians
from pipeline.trends.discovery import discovery_rate
from pipeline.trends.kendall import two_sided
from pipeline.trends.steps import find_steps

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Flags, Floats


_LEAST_PLACES: Final = 4
_LEAST_READINGS: Final = 8
_SURE: Final = 0.01  # false-discovery rate of biases that are named
_WORTH: Final = 0.025  # a smaller share is not worth naming: a meter is good to 2 %
_WORTH_PH: Final = 0.08
_WORTH_DROPS: Final = 0.5  # common practice: half a drop on average
_STEADIER, _FACTOR_DROPS = 0.8, 1.5  # beyond one miscounted drop it may be the degree
_MINOR: Final = 0.3  # people read meters alike, and kits of one lot count alike
_ROBUST: Final = 3.0
_STEP: Final = 0.04


@dataclass(frozen=True)
class DeviceReadings:
    """Readings of one quantity, above any limit.

    ``value``; ``year`` [years]; ``place cell operator instrument``: numbers, -1 where not known; ``reference``: read
    by a laboratory; ``degree``: what a drop is worth, NaN where none were counted; ``logarithmic``: errors are shares.
    """

    value: Floats
    year: Floats
    place: Codes
    cell: Codes
    operator: Codes
    instrument: Codes
    reference: Flags
    degree: Floats
    logarithmic: bool


@dataclass(frozen=True)
class Bias:
    """What the devices read too much, and the readings without it.

    ``devices``: one row each: `kind` (operator, instrument), `code`, `bias` with `low` and `high` (share, pH or
    drops, by `measure`), `times` (of a person whose drops are off by a factor rather than a number, else NaN),
    `readings`, `places`, `p`, `q`, `named`. ``steps``: instruments that jumped: `code before after earliest latest
    size from_ to`.
    """

    devices: pd.DataFrame
    steps: pd.DataFrame
    corrected: Floats
    excess: Floats
    raw: Floats
    degree: Floats
    against_laboratory: bool


def device_bias(readings: DeviceReadings) -> Bias:
    """Estimate what every person and instrument reads too much, and take it away where that is sure."""
    scaled = np.log(readings.value) if readings.logarithmic else readings.value
    parts = _effects(readings, scaled)
    shared = _shared_places(readings)
    excess = scaled - parts["place"][readings.place] - parts["cell"][readings.cell]
    excess = excess - _middle(excess, readings, shared)
    steps, level = _instrument_steps(readings, excess)
    drops = np.isfinite(readings.degree)
    counted = _drops_too_many(readings, excess)
    tables = []
    for kind, codes in (("operator", readings.operator), ("instrument", readings.instrument)):
        for measure, rows, amount in (("drops", drops, counted), ("reading", ~drops, excess - level)):
            # Of a person the drops are judged, of an instrument what it shows.
            if (kind == "operator") == (measure == "drops"):
                tables.append(_judged(kind, measure, codes, readings, rows & ~readings.reference, amount))
                if measure == "drops" and readings.logarithmic:
                    tables[-1] = _with_factors(
                        tables[-1], _judged(kind, measure, codes, readings, rows & ~readings.reference, excess)
                    )
    devices = _named(pd.concat(tables, ignore_index=True), readings)
    corrected = scaled - level
    for kind, codes in (("operator", readings.operator), ("instrument", readings.instrument)):
        known = devices[devices["named"] & (devices["kind"] == kind)].set_index("code")
        own = known["bias"].reindex(codes).fillna(0.0).to_numpy() * ~readings.reference
        if kind == "operator":
            times = known["times"].reindex(codes).fillna(1.0).to_numpy()
            drop = np.where(times == 1.0, own, 0.0) * np.where(drops, readings.degree, 0.0)
            least = np.maximum(readings.value - drop, readings.value * 0.1)
            corrected = corrected - np.where(drop != 0, (np.log(readings.value) - np.log(least)), 0.0)
            corrected = corrected - np.where(drops & ~readings.reference, np.log(times), 0.0)
        else:
            corrected = corrected - np.where(drops, 0.0, own)
    free = np.exp(corrected) if readings.logarithmic else corrected
    return Bias(devices, steps, free, excess, readings.value, readings.degree, shared >= _LEAST_PLACES)


def _effects(readings: DeviceReadings, scaled: Floats) -> dict[str, Floats]:
    """Solve for places, weather, people and instruments, with wild readings taken back."""
    from scipy.sparse import csr_array, hstack  # noqa: PLC0415 - scipy is imported where a trend is worked out
    from scipy.sparse.linalg import lsmr  # noqa: PLC0415 - same

    drops = np.isfinite(readings.degree)
    weights = {
        "place": np.ones(len(scaled)),
        "cell": np.ones(len(scaled)),
        "operator": np.where(drops, 1.0, _MINOR) * ~readings.reference * (readings.operator >= 0),
        "instrument": np.where(drops, _MINOR, 1.0) * ~readings.reference * (readings.instrument >= 0),
    }
    rows = np.arange(len(scaled))
    blocks, lengths = [], []
    for name, weight in weights.items():
        codes = np.maximum(getattr(readings, name), 0)
        # Columns of length one: a place that was seen once does not slow down those seen a hundred times.
        length = np.sqrt(np.bincount(codes, weight**2))
        lengths.append(np.where(length > 0, length, 1.0))
        blocks.append(csr_array((weight / lengths[-1][codes], (rows, codes)), shape=(len(scaled), len(length))))
    design = hstack(blocks, format="csr")
    target = scaled - np.median(scaled)
    solution = lsmr(design, target, atol=1e-5, btol=1e-5, maxiter=60)[0]
    rest = target - design @ solution
    reach = _ROBUST * max(1.4826 * float(np.median(np.abs(rest))), 1e-6)
    solution = lsmr(
        design, target - rest + np.clip(rest, -reach, reach), atol=1e-5, btol=1e-5, maxiter=60, x0=solution
    )[0]
    effects = np.split(solution / np.concatenate(lengths), np.cumsum([len(length) for length in lengths])[:-1])
    parts = dict(zip(weights, effects, strict=True))
    return parts | {"place": parts["place"] + np.median(scaled)}


def _shared_places(readings: DeviceReadings) -> int:
    """Count the places that a laboratory and a device have both read."""
    return len(np.intersect1d(readings.place[readings.reference], readings.place[~readings.reference]))


def _middle(excess: Floats, readings: DeviceReadings, shared: int) -> float:
    """Give the zero that the devices are compared with: the laboratory, or where it has not read here their middle."""
    if shared >= _LEAST_PLACES:
        return float(np.median(excess[readings.reference]))
    return float(np.median(excess)) if len(excess) else 0.0


def _drops_too_many(readings: DeviceReadings, excess: Floats) -> Floats:
    """Turn an excess into drops."""
    share = 1.0 - np.exp(-excess) if readings.logarithmic else excess
    return np.where(np.isfinite(readings.degree), readings.value * share / readings.degree, np.nan)


def _judged(
    kind: str, measure: str, codes: Codes, readings: DeviceReadings, rows: Flags, amount: Floats
) -> pd.DataFrame:
    """Give the middle of what every device reads too much, and how sure that is, place by place."""
    mine = rows & (codes >= 0) & np.isfinite(amount)
    code, place, value = codes[mine], readings.place[mine], amount[mine]
    places = int(readings.place.max(initial=0)) + 1
    pairs, pair = np.unique(code.astype(np.int64) * places + place, return_inverse=True)
    middle = group_medians(pair, value, len(pairs))
    owner = pairs // places
    names, number = np.unique(owner, return_inverse=True)
    bias = group_medians(number, middle, len(names))
    spread = 1.4826 * group_medians(number, np.abs(middle - bias[number]), len(names))
    held = np.bincount(number, minlength=len(names))
    all_readings = np.bincount(np.searchsorted(names, code), minlength=len(names))
    # A median of n has 1.25 times the error of a mean; few places count with the scatter of all.
    usual = float(np.median(spread[held >= _LEAST_PLACES])) if (held >= _LEAST_PLACES).any() else np.nan
    error = 1.25 * np.maximum(spread, usual) / np.sqrt(held)
    enough = (held >= _LEAST_PLACES) & (all_readings >= _LEAST_READINGS) & (error > 0)
    p = np.where(enough, two_sided(bias / np.where(error > 0, error, 1.0)), np.nan)
    return pd.DataFrame({
        "kind": kind, "measure": measure, "code": names, "bias": bias, "low": bias - 1.96 * error,
        "high": bias + 1.96 * error, "times": np.nan, "spread": spread, "readings": all_readings, "places": held,
        "p": p,
    })  # fmt: skip


def _with_factors(counted: pd.DataFrame, shares: pd.DataFrame) -> pd.DataFrame:
    """Say of whose drops a factor is steadier, from place to place, than a number: another degree, another volume."""
    shares = shares.set_index("code").reindex(counted["code"])
    steady = (shares["spread"] / shares["bias"].abs()).to_numpy()
    loose = (counted["spread"] / counted["bias"].abs()).to_numpy()
    by_factor = (steady < _STEADIER * loose) & (counted["bias"].abs().to_numpy() >= _FACTOR_DROPS)
    return counted.assign(times=np.where(by_factor, np.exp(shares["bias"].to_numpy()), np.nan))


def _named(devices: pd.DataFrame, readings: DeviceReadings) -> pd.DataFrame:
    worth = np.where(devices["measure"] == "drops", _WORTH_DROPS, _WORTH if readings.logarithmic else _WORTH_PH)
    q = discovery_rate(devices["p"].to_numpy(dtype=np.float64))
    return devices.assign(q=q, named=(q <= _SURE) & (devices["bias"].abs() >= worth))


def _instrument_steps(readings: DeviceReadings, excess: Floats) -> tuple[pd.DataFrame, Floats]:
    """Find the instruments that jump, at all their places at once, and what they read too much before and after.

    Returns the steps, and for every reading the level of a jumping instrument (0 of others).
    """
    level = np.zeros(len(excess))
    mine = np.flatnonzero((readings.instrument >= 0) & ~readings.reference & ~np.isfinite(readings.degree))
    order = mine[np.lexsort((readings.year[mine], readings.instrument[mine]))]
    columns = ["code", "before", "after", "earliest", "latest", "from_", "to"]
    if not len(order):
        return pd.DataFrame(columns=columns), level
    code = readings.instrument[order]
    found = find_steps(code, readings.year[order], excess[order, None], np.array([0.01]), seasonal=False, rounds=2)
    worth = _STEP if readings.logarithmic else 2 * _WORTH_PH
    kept = (np.abs(found.size[:, 0]) >= worth) & (np.abs(found.deviates[:, 0]) >= 6) & (found.strength >= 20)  # noqa: PLR2004 - a step of a meter must be beyond doubt
    part = np.zeros(len(order), dtype=np.int64)
    part[found.after[kept]] = 1
    segment = np.unique(code.astype(np.int64) * (len(order) + 1) + np.cumsum(part), return_inverse=True)[1]
    middle = group_medians(segment, excess[order], int(segment.max()) + 1)[segment]
    jumps = np.isin(code, found.series[kept])
    level[order[jumps]] = middle[jumps]
    steps = pd.DataFrame({
        "code": found.series[kept], "before": order[found.before[kept]], "after": order[found.after[kept]],
        "earliest": order[found.earliest[kept]], "latest": order[found.latest[kept]],
        "from_": middle[found.before[kept]], "to": middle[found.after[kept]],
    })  # fmt: skip
    return steps, level
