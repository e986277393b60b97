"""What a treatment promises of a water, for every share of raw water in the product, and how surely."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.treat.processes.trains import has_membrane
from pipeline.treat.processes.treatments import TREATMENTS, treat
from pipeline.verify.permeate import ALL_SALTS
from pipeline.verify.series import USUAL_RELATIVE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from pipeline.arrays import Floats


# What proves a treatment; pH and chlorine are looked at on their own.
PROMISED: Final = (
    "total_hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "conductivity_us_cm_25c",
    "sodium_mg_l",
    "chloride_mg_l",
    "calcium_mg_l",
    "tds_mg_l",
)
ALONGSIDE: Final = ("ph", "free_chlorine_mg_l")
ALL: Final = (*PROMISED, *ALONGSIDE)
USUAL_PH: Final = 0.2  # the same of pH [CP]
# k = 2 below which no test of a visit resolves a quantity, however little of it there is: mg/L, µS/cm [CP].
LEAST_WIDTH: Final = {
    "total_hardness_mg_l_caco3": 5.0,
    "alkalinity_mg_l_caco3": 5.0,
    "conductivity_us_cm_25c": 3.0,
    "tds_mg_l": 3.0,
    "sodium_mg_l": 1.0,
    "chloride_mg_l": 1.0,
}
_HELD_BACK: Final = (
    0.6  # of what a membrane lets through: planned with 95 %, membranes hold back 92 to 98 % (k = 2) [CP]
)
_ALL: Final = pd.Index(ALL)
_IS_PH: Final = _ALL == "ph"
_LEAST: Final = np.array([LEAST_WIDTH.get(name, 0.0) for name in ALL])
_SHARES: Final = np.linspace(0.0, 1.0, 5)
ANY_PH: Final = 7.5  # stands in for a pH nobody read; of what is looked at only pH itself depends on it
_SALTED: Final = ("total_hardness_mg_l_caco3", "conductivity_us_cm_25c", "chloride_mg_l")
_MOST_SALTS: Final = 60.0  # mg/L as CaCO3 that a mineral cartridge adds as salts besides its lime [CP]
# µS/cm for 1 mg/L as CaCO3 of calcium or magnesium with chloride or sulfate in thin water: 129 to 140 S·cm²/eq over
# 50.04 mg/meq, less some 10 % for the other ions [APHA2510].
_SALTS_CONDUCT: Final = 2.4
_ALL_CHLORIDE: Final = 0.708  # mg/L of chloride beside 1 mg/L as CaCO3 of hardness, from the molar masses
_VARIED: Final = (*PROMISED[:5], "tds_mg_l")


@dataclass(frozen=True)
class Promise:
    """What comes out, as a function of the share of raw water in the product.

    ``value`` and ``expanded`` (k = 2, from the raw readings) have a row per share and a column per
    quantity of `ALL`; between the shares they are straight. ``shared`` is False for a treatment that has
    no bypass and no medium to tire: its rows are all alike.
    """

    value: Floats
    expanded: Floats
    shared: bool

    def at(self, share: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Give values and expanded uncertainties at shares: (m, quantities) each."""
        return _interpolated(share, self.value), _interpolated(share, self.expanded)


def _interpolated(share: npt.ArrayLike, table: Floats) -> Floats:
    at = np.atleast_1d(np.asarray(share, dtype="float64"))
    return np.column_stack([np.interp(at, _SHARES, column) for column in table.T])


def promise(
    before: pd.Series,
    uncertainty: pd.Series,
    treatment: str,
    settings: Mapping[str, float],
    other: pd.Series | None = None,
) -> Promise:
    """Predict the product of a treatment for five shares of raw water in it.

    Parameters
    ----------
    before : the raw water in canonical columns.
    uncertainty : k = 2 of the same columns; the usual where missing.
    treatment : name of the register.
    settings : of the treatment, without its bypass.
    other : the second water of a blend.

    Returns
    -------
    Promise.

    Raises
    ------
    KettlestoneError : an unknown treatment, or a setting it does not have.

    Notes
    -----
    The uncertainty of every raw reading is carried through the treatment: U² = Σ (½ [f(x + U) - f(x - U)])²,
    readings independent [JCGM100 5.1.3, note 2], and is at least that of the reading itself in proportion. To it comes
    what nobody knows of a membrane that was not measured: how much it holds back.
    """
    return promises([Pledge(before, uncertainty, treatment, settings)], other)[0]


@dataclass(frozen=True)
class Pledge:
    """A raw water and what stands in its way, as the parameters of ``promise`` say."""

    before: pd.Series
    uncertainty: pd.Series
    treatment: str
    settings: Mapping[str, float]


def promises(pledges: Sequence[Pledge], other: pd.Series | None = None) -> list[Promise]:
    """Predict the products of many waters as ``promise`` does; those of one treatment, set alike, in one go."""
    groups: dict[tuple[str, tuple[tuple[str, float], ...], bool], list[int]] = {}
    for place, one in enumerate(pledges):
        assumed = "ph" not in _needs(one.treatment) and bool(np.isnan(one.before.get("ph", np.nan)))
        groups.setdefault((one.treatment, tuple(sorted(one.settings.items())), assumed), []).append(place)
    found: dict[int, Promise] = {}
    for (_, _, assumed), places in groups.items():
        own = [pledges[place] for place in places]
        found |= zip(places, _of_one_treatment(own, other, assumed=assumed), strict=True)
    return [found[place] for place in range(len(pledges))]


def _of_one_treatment(pledges: Sequence[Pledge], other: pd.Series | None, *, assumed: bool) -> list[Promise]:
    treatment, settings = pledges[0].treatment, pledges[0].settings
    knob = _knob(treatment)
    shares = _SHARES if knob else _SHARES[:1]
    widths = [half_width(one.before, one.uncertainty) for one in pledges]
    varied = [_read(one.before, width) for one, width in zip(pledges, widths, strict=True)]
    parts = [_around(*each, shares) for each in zip(pledges, widths, varied, strict=True)]
    rows = pd.concat(parts, ignore_index=True)
    rows = rows.assign(ph=ANY_PH) if assumed else rows
    own: dict[str, npt.ArrayLike] = {name: value for name, value in settings.items() if name != knob}
    if knob:
        own[knob] = np.concatenate([np.append(shares, np.zeros(len(part) - len(shares))) for part in parts])
    product = treat(rows, treatment, own, other=other).reindex(columns=list(ALL))
    found = (product.assign(ph=np.nan) if assumed else product).to_numpy(dtype="float64")
    ends = np.cumsum([len(part) for part in parts])[:-1]
    each = zip(pledges, np.split(found, ends), widths, varied, strict=True)
    return [_promise(one, rows_of, width, names, shares) for one, rows_of, width, names in each]


def _read(before: pd.Series, width: pd.Series) -> list[str]:
    """Name the readings whose uncertainty is carried through the treatment."""
    return [name for name in _VARIED if np.isfinite(before.get(name, np.nan)) and width[name] > 0]


def _around(pledge: Pledge, width: pd.Series, varied: list[str], shares: Floats) -> pd.DataFrame:
    """Repeat a water for every share, and with every reading moved up and down by its uncertainty."""
    before = pledge.before.astype("float64")
    moved = np.tile(before.to_numpy(), (len(shares) + 2 * len(varied), 1))
    for place, name in enumerate(varied):
        at = before.index.get_loc(name)
        first = len(shares) + 2 * place
        moved[first : first + 2, at] = np.maximum(before[name] + np.array([1.0, -1.0]) * width[name], 0.0)
    return pd.DataFrame(moved, columns=before.index)


def _promise(pledge: Pledge, found: Floats, width: pd.Series, varied: list[str], shares: Floats) -> Promise:
    value, changed = found[: len(shares)], found[len(shares) :]
    first = pledge.before.reindex(list(ALL)).to_numpy(dtype="float64")
    expanded = _carried(changed, varied, shares, width)
    relative = np.divide(width.to_numpy(), first, out=np.zeros(len(ALL)), where=np.nan_to_num(first) > 0)
    expanded = np.fmax(expanded, np.abs(value) * np.nan_to_num(relative))
    if has_membrane(pledge.treatment) and "rejection" not in pledge.settings:
        passed = (1.0 - shares)[:, None] * np.abs(value[:1])
        passed[:, ALL.index("ph")] = 0.0
        expanded = np.hypot(expanded, _HELD_BACK * passed)
    size = (len(_SHARES), len(ALL))
    shared = _knob(pledge.treatment) is not None
    return Promise(np.broadcast_to(value, size), np.broadcast_to(expanded, size), shared=shared)


def with_salts(promised: Promise, product: pd.Series) -> Promise:
    """Let a mineral cartridge add salts of calcium and magnesium besides its lime, as many as hardness shows.

    Cartridges of lime alone add as much alkalinity as hardness; others add magnesium or calcium as sulfate or
    chloride too. Which salts is not known, so chloride may lie anywhere up to all of them.

    Parameters
    ----------
    promised : of a treatment that ends in a mineral cartridge, by its lime alone.
    product : the water behind it.
    """
    hardness, conductivity, chloride = (ALL.index(name) for name in _SALTED)
    fresh = promised.value[:, hardness]
    more = np.clip(float(product.get(ALL[hardness], np.nan)) - fresh, 0.0, _MOST_SALTS)
    if np.isnan(more).any():
        return promised
    value, expanded = promised.value.copy(), promised.expanded.copy()
    value[:, hardness] += more
    value[:, conductivity] += _SALTS_CONDUCT * more
    value[:, chloride] += 0.5 * _ALL_CHLORIDE * more
    expanded[:, chloride] = np.hypot(expanded[:, chloride], 0.5 * _ALL_CHLORIDE * more)
    return Promise(value, expanded, promised.shared)


def _carried(changed: Floats, varied: list[str], shares: Floats, width: pd.Series) -> Floats:
    """Carry the uncertainty of the raw readings into the product, for every share of raw water in it.

    What a reading changes in the fresh product goes down with the share of raw water, what it changes in
    the raw water, itself, goes up.
    """
    fresh = np.nan_to_num(changed[0::2] - changed[1::2]) / 2
    own = np.array([[float(width[name]) if name == column else 0.0 for column in ALL] for name in varied])
    own = own.reshape(len(varied), len(ALL))
    part = (1 - shares)[:, None, None] * fresh[None] + shares[:, None, None] * own[None]
    carried: Floats = np.sqrt(np.sum(part**2, axis=1))
    return carried


def half_width(readings: pd.Series, uncertainty: pd.Series) -> pd.Series:
    """Give the expanded uncertainty (k = 2) of every quantity, the usual one where none is stated."""
    value = readings.reindex(_ALL).to_numpy(dtype="float64")
    usual = np.where(_IS_PH, USUAL_PH, USUAL_RELATIVE * np.abs(value))
    stated = uncertainty.reindex(_ALL).to_numpy(dtype="float64")
    width = np.maximum(np.where(np.isnan(stated), usual, stated), _LEAST)
    return pd.Series(np.where(np.isnan(value), np.nan, width), index=_ALL)


def one_witness(raw: pd.Series, product: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Leave dissolved solids out where the conductivity was read on both sides: they are made of it."""
    conductivity, solids = ALL_SALTS
    read = all(np.isfinite(float(side.get(conductivity, np.nan))) for side in (raw, product))
    told = any(np.isfinite(float(side.get(solids, np.nan))) for side in (raw, product))
    if not (read and told):
        return raw, product
    return raw.drop(solids, errors="ignore"), product.drop(solids, errors="ignore")


def _knob(treatment: str) -> str | None:
    """Name the setting that lets raw water through: the bypass, else the tired share of the medium."""
    if treatment not in TREATMENTS:
        return None
    named = {setting.name for setting in TREATMENTS[treatment].settings}
    return next((name for name in ("bypass", "exhausted") if name in named), None)


def _needs(treatment: str) -> tuple[str, ...]:
    return TREATMENTS[treatment].needs if treatment in TREATMENTS else ()
