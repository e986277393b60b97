"""What would explain a retest: each cause as a prediction of its own, weighed by how well it fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.reference import table
from pipeline.treat.processes.trains import has_membrane
from pipeline.treat.processes.treatments import TREATMENTS
from pipeline.verify.outcomes import Cause
from pipeline.verify.permeate import ALL_SALTS
from pipeline.verify.promised import ALL, PROMISED, promise
from pipeline.verify.series import ADDS
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from pipeline.arrays import Floats
    from pipeline.verify.promised import Promise

_GRID: Final = np.linspace(0.0, 1.0, 101)
_OTHERS: Final = ("softener", "decarboniser", "reverse osmosis")
_HARDNESS: Final = "total_hardness_mg_l_caco3"
_CONDUCTIVITY: Final = "conductivity_us_cm_25c"
_MODEL: Final = 0.03  # relative, k = 1: no prediction of a treatment is better [CP]
_MODEL_CONDUCTIVITY: Final = 0.04  # half of the 8 % within which no conductivity is judged [SCCOMP]
_WIDE: Final = 1.5  # a reading that is merely wrong lies anywhere up to so many times the larger side [CP]
_OTHER_WORDS: Final = {
    "softener": "verify.cause.exhausted_softener",
    **dict.fromkeys(ADDS, "verify.cause.exhausted_bed"),
}
_SHOWN: Final = 0.005  # causes less probable than this are left out
_USED: Final = ((0.25, 0.1), (0.5, 0.3), (0.8, 1.0), (1.0, 3.0), (float("inf"), 10.0))  # of life: times as common [CP]
_FAILING: Final = 20.0  # times as common once the membrane's own water was found wrong, and the reverse [CP]


@dataclass(frozen=True)
class Readings:
    """Raw and treated water of a visit, with k = 2 of every quantity of `ALL`."""

    before: pd.Series
    after: pd.Series
    before_u: pd.Series
    after_u: pd.Series

    def believable(self) -> Readings:
        """Leave out a conductivity below the hardness: a value in another unit must not hide a pattern."""
        sides = [
            side.mask(side.index == _CONDUCTIVITY)
            if float(side.get(_CONDUCTIVITY, np.nan)) < float(side.get(_HARDNESS, np.nan))
            else side
            for side in (self.before, self.after)
        ]
        return Readings(sides[0], sides[1], self.before_u, self.after_u)

    def turned(self) -> Readings:
        """Take the pair the other way round."""
        return Readings(self.after, self.before, self.after_u, self.before_u)


def rank(
    promised: Promise,
    readings: Readings,
    treatment: str,
    settings: Mapping[str, float],
    recorded: tuple[float, float],
    used: float,
    membrane_failing: bool | None,
) -> tuple[Cause, ...]:
    """Rank the causes that would explain a pair of samples.

    Parameters
    ----------
    promised : of the treatment as recorded.
    readings : of the visit.
    treatment, settings : as recorded, without the bypass.
    recorded : the recorded bypass and its k = 2 [-]; missing where not recorded, without width where there is no valve.
    used : share of the life of the medium that is used [-]; missing where not known.
    membrane_failing : what the membrane's own water says; None where it was not read.

    Returns
    -------
    causes, most probable first; their probabilities sum to 1 over all that were looked at.

    Notes
    -----
    Each cause predicts every quantity; its likelihood is the normal density of the readings around that
    prediction, averaged over what it leaves open (share of raw water 0 to 1). A reading that is merely wrong
    has an even density. Times how common the cause is (``reference/verify_priors.csv``) [CP].
    """
    judged = _judged(promised, readings)
    if not judged:
        return ()
    weights = {str(row["cause"]): float(row["weight"]) for row in table("verify_priors").to_dict("records")}
    per_reading = _log_density(promised, readings, judged)
    flat = _flat(readings, judged)
    share = _share_weight(recorded, shared=promised.shared)
    found: list[tuple[str, str, float]] = [
        ("as set", "", _mean(per_reading.sum(axis=1), share)),
        ("no effect", "", _same(readings, judged)),
        ("swapped labels", "", _swapped(readings, treatment, settings, judged)),
        ("none of these", "", float(flat.sum())),
    ]
    if promised.shared:
        found += _let_through(per_reading, recorded, treatment)
    if len(judged) > 1:
        found += _odd(per_reading, flat, share, judged)
    found += _another(readings, treatment, judged)
    factor = _factors(used, membrane_failing)
    logs = np.array([value + np.log(weights[name] * factor.get(name, 1.0)) for name, _, value in found])
    share_of = np.exp(logs - logs.max())
    share_of = share_of / share_of.sum()
    causes = [
        _cause(name, detail, float(part), treatment) for (name, detail, _), part in zip(found, share_of, strict=True)
    ]
    return tuple(sorted((one for one in causes if one.probability >= _SHOWN), key=lambda one: -one.probability))


def _judged(promised: Promise, readings: Readings) -> list[int]:
    sides = [side.reindex(list(ALL)).to_numpy(dtype="float64") for side in (readings.before, readings.after)]
    known = np.isfinite(sides[0]) & np.isfinite(sides[1]) & np.isfinite(promised.value).all(axis=0)
    return [place for place in range(len(PROMISED)) if known[place]]


def _log_density(promised: Promise, readings: Readings, judged: list[int]) -> Floats:
    """Give the log density of each reading (columns) for each share of raw water (rows)."""
    value, spread = (part[:, judged] for part in promised.at(_GRID))
    after = readings.after.reindex(list(ALL)).to_numpy(dtype="float64")[judged]
    own = readings.after_u.to_numpy(dtype="float64")[judged]
    model = np.where(np.isin(judged, [ALL.index(name) for name in ALL_SALTS]), _MODEL_CONDUCTIVITY, _MODEL)
    standard = np.sqrt((spread**2 + own[None] ** 2) / 4 + (model * value) ** 2)
    standard = np.maximum(standard, 1e-6)
    density: Floats = -(((after[None] - value) / standard) ** 2) / 2 - np.log(standard * np.sqrt(2 * np.pi))
    return density


def _flat(readings: Readings, judged: list[int]) -> Floats:
    sides = [side.reindex(list(ALL)).to_numpy(dtype="float64")[judged] for side in (readings.before, readings.after)]
    flat: Floats = -np.log(_WIDE * np.maximum(np.maximum(*sides), 1.0))
    return flat


def _share_weight(recorded: tuple[float, float], *, shared: bool) -> Floats:
    """Weigh the shares: around the recorded bypass, or all alike where none was recorded."""
    bypass, expanded = recorded
    if not shared or np.isnan(bypass):
        return np.ones(len(_GRID))
    weight: Floats = np.exp(-(((_GRID - bypass) / max(expanded / 2, _GRID[1])) ** 2) / 2)
    return weight


def _mean(logs: Floats, weight: Floats) -> float:
    top = float(logs.max())
    return top + float(np.log(np.average(np.exp(logs - top), weights=weight) + 1e-300))


def _let_through(per_reading: Floats, recorded: tuple[float, float], treatment: str) -> list[tuple[str, str, float]]:
    """More raw water than was set comes through: a valve, or the medium; both alike in one pair."""
    anything = np.ones(len(_GRID))
    bypass = 0.0 if np.isnan(recorded[0]) else recorded[0]
    more = (bypass <= _GRID).astype("float64")
    total = per_reading.sum(axis=1)
    worn = "failed membrane" if has_membrane(treatment) else "exhausted media"
    found = [(worn, "", _mean(total, more))]
    if np.isfinite(recorded[0]) and recorded[1] > 0.0:
        found.append(("moved valve", "", _mean(total, anything)))
    return found


def _odd(per_reading: Floats, flat: Floats, share: Floats, judged: list[int]) -> list[tuple[str, str, float]]:
    """Let one reading be anything while the others are as set."""
    rest = [_mean(np.delete(per_reading, i, axis=1).sum(axis=1), share) for i in range(len(judged))]
    each = zip(judged, rest, flat, strict=True)
    return [("odd reading", ALL[place], value + float(wrong) - np.log(len(judged))) for place, value, wrong in each]


def _same(readings: Readings, judged: list[int]) -> float:
    """Give the density of a product that is the raw water."""
    before, after, one, two = (
        side.reindex(list(ALL)).to_numpy(dtype="float64")[judged]
        for side in (readings.before, readings.after, readings.before_u, readings.after_u)
    )
    standard = np.maximum(np.hypot(one, two) / 2, 1e-6)
    return float(np.sum(-(((after - before) / standard) ** 2) / 2 - np.log(standard * np.sqrt(2 * np.pi))))


def _swapped(readings: Readings, treatment: str, settings: Mapping[str, float], judged: list[int]) -> float:
    """Give the density of the pair taken the other way round, any share of raw water."""
    turned = readings.turned()
    if treatment == "none":
        return -np.inf
    promised = promise(turned.before, turned.before_u, treatment, settings)
    both = [place for place in judged if np.isfinite(promised.value[:, place]).all()]
    if len(both) < len(judged):
        return -np.inf
    return _mean(_log_density(promised, turned, judged).sum(axis=1), np.ones(len(_GRID)))


def _another(readings: Readings, treatment: str, judged: list[int]) -> list[tuple[str, str, float]]:
    """Try the other usual treatments at any share of raw water."""
    found = []
    for name in _OTHERS:
        if name == treatment or not set(TREATMENTS[name].needs) <= set(readings.before.dropna().index):
            continue
        promised = promise(readings.before, readings.before_u, name, {})
        if np.isfinite(promised.value[:, judged]).all():
            density = _mean(_log_density(promised, readings, judged).sum(axis=1), np.ones(len(_GRID)))
            found.append(("another treatment", name, density))
    return [(cause, name, density - np.log(max(len(found), 1))) for cause, name, density in found]


def _factors(used: float, membrane_failing: bool | None) -> dict[str, float]:
    factor = {}
    if np.isfinite(used):
        factor["exhausted media"] = next(times for limit, times in _USED if used <= limit)
    if membrane_failing is not None:
        factor["failed membrane"] = _FAILING if membrane_failing else 1 / _FAILING
    return factor


def _cause(name: str, detail: str, probability: float, treatment: str) -> Cause:
    code = f"verify.cause.{name.replace(' ', '_')}"
    if name == "another treatment":
        return Cause(name, probability, Said(code, {"treatment": TREATMENTS[detail].title}), (), detail)
    if name == "odd reading":
        said = Said("verify.cause.odd_reading_of", {"name": Said(f"verify.name.{detail}")})
        return Cause(name, probability, said, (), detail)
    if name == "exhausted media" and treatment in _OTHER_WORDS:
        code = _OTHER_WORDS[treatment]
    return Cause(name, probability, Said(code))
