"""Bottled waters for a machine that is filled by hand: which of them, alone or mixed, and in which shares."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.equivalents import column
from pipeline.errors import KettlestoneError
from pipeline.treat.choosing import limits as held
from pipeline.treat.choosing.case import ALKALINITY, CONDUCTIVITY, HARDNESS, with_stand_ins
from pipeline.treat.choosing.optimise import targets
from pipeline.words import Said
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Hashable

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.treat.choosing.case import Case

TAP, DEMINERALISED = "tap", "demineralised"
BOTTLED_COLUMNS: Final = [
    "first", "second", "share", "kind", "fits", HARDNESS, ALKALINITY, held.SODIUM, held.CHLORIDE, "scale_mg_l",
    "near_distilled", "scales_more_than_tap", "excess", "distance",
]  # fmt: skip
KINDS: Final = ("alone", "with tap", "with another", "with demineralised")
_MIXED: Final = (
    HARDNESS, "calcium_hardness_mg_l_caco3", ALKALINITY, held.SODIUM, held.CHLORIDE, held.SULFATE, CONDUCTIVITY,
)  # fmt: skip
_TENTHS: Final = np.arange(1, 10) / 10.0
_SOUR_ALKALINITY, _EMPTY_HARDNESS = 25.0, 35.0  # mg/L as CaCO3, below both a water is all but distilled [CP]
_PURE_CONDUCTIVITY: Final = 1.0  # µS/cm of demineralised water that has met the air [CP]


def rank_bottled(bottles: pd.DataFrame, case: Case) -> tuple[pd.DataFrame, Said]:
    """Rank bottled waters and their blends for a machine and a profile.

    Parameters
    ----------
    bottles : (m, ...) canonical columns from the labels, the names as index; bicarbonate stands for alkalinity.
    case : machine, profile, and the tap they are held against.

    Returns
    -------
    frame of ``COLUMNS``, best first: every bottle alone, with the tap, with another bottle and with demineralised
    water, each blend once, in the best whole tenths (``share`` of ``first``); a label without hardness or
    alkalinity is left out. And the sentence that sums it up.

    Raises
    ------
    KettlestoneError : two bottles have the same name.

    Notes
    -----
    Fitting ones first, the simpler before the mixed, then the least distance of alkalinity and hardness from
    their targets, each as a share of its target. Hardness, alkalinity and ions mix by volume; what a label does
    not state counts as not exceeding its limit.
    """
    if not bottles.index.is_unique:
        raise KettlestoneError("two bottled waters have the same name; give each a name of its own")
    filled = with_stand_ins(bottles.reindex(columns=WIDE_COLUMNS).astype("float64"))
    waters = pd.DataFrame({name: column(filled, name) for name in _MIXED})
    known = waters[[HARDNESS, ALKALINITY]].notna().all(axis=1)
    waters = waters[known]
    tap = _tap(case)
    pure = dict.fromkeys(_MIXED, 0.0) | {CONDUCTIVITY: _PURE_CONDUCTIVITY}
    extra = {TAP: tap, DEMINERALISED: pd.Series(pure)}
    size = len(waters)
    names: list[Hashable] = [*waters.index, *(name for name, water in extra.items() if water is not None)]
    added = [water.reindex(list(_MIXED)) for water in extra.values() if water is not None]
    values = np.vstack([floats(waters), *(floats(water)[None, :] for water in added)])
    first, second, share = _combinations(size, len(names))
    ranked = _judged(case, values, (first, second, share), tap)
    kind = _kinds(first, second, names, size)
    labels = np.array([str(name) for name in names], dtype=object)
    table = ranked.assign(
        first=pd.array(labels[first], dtype="str"),
        second=pd.array(np.where(first == second, "", labels[second]), dtype="str"),
        share=share,
        kind=kind,
        pair=first * len(names) + second,
    )
    best = table.sort_values(["fits", "excess", "distance"], ascending=[False, True, True], kind="stable")
    best = best.drop_duplicates("pair").assign(order=lambda own: own["kind"].map({k: i for i, k in enumerate(KINDS)}))
    keys = ["fits", "excess", "order", "distance"]
    best = best.sort_values(keys, ascending=[False, True, True, True], kind="stable")[BOTTLED_COLUMNS].reset_index(
        drop=True
    )
    return best, summary(best, int((~known).sum()), case.base)


def _tap(case: Case) -> pd.Series[float] | None:
    known = case.known
    if not (known[HARDNESS].known and known[ALKALINITY].known):
        return None
    return pd.Series({name: known[name].value for name in _MIXED})


def _combinations(bottles: int, waters: int) -> tuple[Places, Places, Floats]:
    """Lay out every bottle alone and every pair with a bottle in it, in tenths."""
    alone = np.arange(bottles)
    one, two = np.triu_indices(waters, k=1)
    one, two = one[one < bottles], two[one < bottles]
    tenths = _TENTHS.size
    return (
        np.concatenate([alone, np.repeat(one, tenths)]),
        np.concatenate([alone, np.repeat(two, tenths)]),
        np.concatenate([np.ones(bottles), np.tile(_TENTHS, one.size)]),
    )


def _judged(
    case: Case, values: Floats, recipe: tuple[Places, Places, Floats], tap: pd.Series[float] | None
) -> pd.DataFrame:
    first, second, share = recipe
    mixed = share[:, None] * values[first] + (1.0 - share[:, None]) * values[second]
    columns = {name: mixed[:, place] for place, name in enumerate(_MIXED)}
    own = held.limited_figures(case, columns)
    excess = held.excesses(held.limits_for(case), own).sum(axis=0)
    alkalinity, hardness = targets(case, "blend")[0], targets(case, "salt dosing")[1]
    distance = np.abs(columns[ALKALINITY] / alkalinity - 1.0)
    distance += np.abs(columns[HARDNESS] / hardness - 1.0) / 2.0  # the cup forgives hardness more than alkalinity [CP]
    scale = own[held.SCALE]
    of_tap = math.inf if tap is None else float(
        held.scale_at(floats([tap[HARDNESS]]), floats([tap[ALKALINITY]]), case.hottest_c)[0]
    )  # fmt: skip
    return pd.DataFrame(
        {
            "fits": excess == 0.0,
            HARDNESS: columns[HARDNESS],
            ALKALINITY: columns[ALKALINITY],
            held.SODIUM: columns[held.SODIUM],
            held.CHLORIDE: columns[held.CHLORIDE],
            "scale_mg_l": scale,
            "near_distilled": _near_distilled(columns[ALKALINITY], columns[HARDNESS]),
            "scales_more_than_tap": scale > of_tap,
            "excess": excess,
            "distance": distance,
        }
    )


def _near_distilled(alkalinity: Floats, hardness: Floats) -> Flags:
    """Tell waters that make a sour, empty cup and dissolve metal."""
    return np.asarray((alkalinity < _SOUR_ALKALINITY) & (hardness < _EMPTY_HARDNESS), dtype="bool")


def _kinds(first: Places, second: Places, names: list[Hashable], bottles: int) -> pd.Series[str]:
    """Word of `KINDS` for each combination."""
    extra = np.array([0] * bottles + [1 if name == TAP else 3 for name in names[bottles:]])
    code = np.where(first == second, 0, np.where(second < bottles, 2, extra[second]))
    return pd.Series(pd.array(KINDS, dtype="str").take(code))


def summary(ranked: pd.DataFrame, left_out: int = 0, base: str = "") -> Said:
    """Sum a ranking up in a sentence: the best that fits, or that none does and which comes nearest.

    Parameters
    ----------
    ranked : as `rank_bottled` sorts it.
    left_out : labels without hardness or alkalinity.
    base : as for `bottle_sentences`.
    """
    if ranked.empty:
        return Said("bottled.nothing", {"left_out": left_out})
    best = ranked.iloc[0]
    blend = "alone" if best["kind"] == KINDS[0] else "blend"
    code = f"bottled.{'best' if best['fits'] else 'nearest'}.{blend}"
    second = str(best["second"])
    values = {
        "first": str(best["first"]),
        "second": _second(second, base),
        "tenths": round(10.0 * float(best["share"])),
        "rest": 10 - round(10.0 * float(best["share"])),
        "hardness": float(best[HARDNESS]),
        "alkalinity": float(best[ALKALINITY]),
    }
    return Said(code, values)


def bottle_sentences(ranked: pd.DataFrame, base: str = "", blends: int = 3) -> tuple[Said, ...]:
    """Say of every bottle what it does alone, and which blends come first.

    Parameters
    ----------
    ranked : as `rank_bottled` sorts it.
    base : what the water is called that the machine is filled with now; "" for the tap.
    blends : how many blends are told.
    """
    alone = ranked[ranked["kind"] == KINDS[0]]
    mixed = ranked[ranked["kind"] != KINDS[0]].head(blends)
    return tuple(_line(row, base) for part in (alone, mixed) for row in part.to_dict("records"))


def _line(row: dict[Hashable, Any], base: str) -> Said:
    second, tenths = str(row["second"]), round(10.0 * float(row["share"]))
    return Said(
        "bottled.line.blend" if second else "bottled.line.alone",
        {
            "first": str(row["first"]),
            "second": _second(second, base),
            "tenths": tenths,
            "rest": 10 - tenths,
            "hardness": float(row[HARDNESS]),
            "alkalinity": float(row[ALKALINITY]),
            "verdict": Said(f"bottled.{_verdict(row, base)}"),
        },
    )


def _second(name: str, base: str) -> object:
    if name == TAP and base:
        return base
    return Said(f"bottled.{name}") if name in (TAP, DEMINERALISED) else name


def _verdict(row: dict[Hashable, Any], base: str) -> str:
    if row["near_distilled"]:
        return "near-distilled"
    if row["fits"]:
        return "fits"
    return "worse-than-tap" if row["scales_more_than_tap"] and not base else "misses"
