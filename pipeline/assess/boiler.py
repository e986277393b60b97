"""Scale of every heated part of every machine: figures per litre, per year, and the sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.clauses import clause, joined
from pipeline.assess.scale import ScaleLimits, full_solution, planned, scale_class, scale_word

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Floats, Places
    from pipeline.assess.machines import Machine
    from pipeline.assess.readings_range import ReadingRange

FULL: Final = "equilibrium, carbon dioxide kept in (low) to gone (high), constants and readings included"
PLANNED: Final = "planning rule of the trade, hardness as calcium; low and high from the readings only"
_KG_PER_MG: Final = 1e-6


@dataclass(frozen=True)
class BoilerScale:
    """Scale in the machines of (n,) samples.

    Attributes
    ----------
    parts : one row per sample and heated part: ``row place temperature_c low value high word planning``
        [mg/L as CaCO3 = g per 1000 L].
    per_year : (n, 4) ``low value high planning`` [kg a year]; missing where litres a day are not known.
    word : (n,) of the worst part, words of `scale_word`.
    level : (n,) its class, -1 not known.
    sentence : (n,) figures of every part in words.
    method : how the figures were worked out.
    """

    parts: pd.DataFrame
    per_year: pd.DataFrame
    word: pd.Series
    level: np.ndarray
    sentence: pd.Series
    method: str


def _laid_out(names: pd.Series, machines: Mapping[str, Machine]) -> pd.DataFrame:
    """Repeat each sample once per heated part of its machine."""
    codes, unique = pd.factorize(names)
    parts = [machines[str(name)].parts for name in unique]
    count = np.array([len(own) for own in parts], dtype="int64")[codes]
    row = np.repeat(np.arange(len(names)), count)
    number = np.arange(row.size) - np.repeat(np.cumsum(count) - count, count)
    most = max((len(own) for own in parts), default=0)

    def spread(values: list[list[object]], dtype: str) -> pd.Series:
        grid = [own + [own[-1]] * (most - len(own)) for own in values]
        return pd.Series(np.array(grid, dtype=object)[codes[row], number], dtype=dtype)

    if not row.size:
        return pd.DataFrame({"row": row, "number": number, "place": "", "temperature_c": 0.0, "share": 0.0})
    return pd.DataFrame(
        {
            "row": row,
            "number": number,
            "place": spread([[part.place for part in own] for own in parts], "str"),
            "temperature_c": spread([[part.temperature_c for part in own] for own in parts], "float64"),
            "share": spread([[part.share for part in own] for own in parts], "float64"),
        }
    )


def boiler_scale(
    readings: ReadingRange,
    names: pd.Series[str],
    machines: Mapping[str, Machine],
    litres_per_year: Floats,
    limits: ScaleLimits,
) -> BoilerScale:
    """Work out the scale in each machine.

    Parameters
    ----------
    readings : (n, ...) waters at their low, middle and high readings.
    names : (n,) machine of each sample, a key of ``machines``.
    machines : profiles by name.
    litres_per_year : (n,) [L], missing where not known.
    limits : classes, and up to how many samples the full solution is worked out.

    Returns
    -------
    BoilerScale.
    """
    laid = _laid_out(names, machines)
    at = laid["row"].to_numpy()
    heat = floats(laid["temperature_c"])
    spread = readings.take(at)
    plan = planned(spread, heat)
    full = len(names) <= limits.full_solution_up_to
    ranges = full_solution(spread, heat, limits) if full and len(laid) else plan
    parts = laid.join(ranges).assign(word=scale_word(ranges, limits), planning=plan["value"])
    level, worst = _worst(parts, len(names), limits)
    word = pd.Series("not known", index=names.index, dtype="str")
    found = worst >= 0
    word = (
        word.where(~found, pd.Series(parts["word"].array.take(np.maximum(worst, 0)), index=names.index))
        if len(parts)
        else word
    )
    return BoilerScale(
        parts=parts,
        per_year=_per_year(parts, at, litres_per_year, names.index),
        word=word,
        level=level,
        sentence=_sentence(parts, names.index),
        method=FULL if full else PLANNED,
    )


def _worst(parts: pd.DataFrame, size: int, limits: ScaleLimits) -> tuple[np.ndarray, Places]:
    """Class and row of the part that scales most; -1 where no part is known."""
    usual = parts["value"].fillna(parts["high"])
    order = np.lexsort((floats(usual.fillna(-np.inf)), parts["row"].to_numpy()))
    worst = np.full(size, -1)
    worst[parts["row"].to_numpy()[order]] = order
    level = np.full(size, -1)
    found = worst >= 0
    level[found] = scale_class(floats(usual)[worst[found]], limits)
    return level, np.where(level >= 0, worst, -1)


def _per_year(parts: pd.DataFrame, at: Places, litres: Floats, index: pd.Index) -> pd.DataFrame:
    """Kilograms a year: scale of each part times its share of the water; what dissolves counts as none."""
    columns = {}
    for name in ("low", "value", "high", "planning"):
        mass = np.maximum(floats(parts[name]), 0.0) * floats(parts["share"])
        total = np.zeros(len(index))
        np.add.at(total, at, mass)
        columns[name] = total * litres * _KG_PER_MG
    return pd.DataFrame(columns, index=index)


def _sentence(parts: pd.DataFrame, index: pd.Index) -> pd.Series[str]:
    """Put the parts of every sample into one line, part by part."""
    rounded = parts.assign(least=np.maximum(floats(parts["low"]), 0.0))
    range_text = "{place} at {temperature_c:0} °C {least:0} to {high:0} g per 1000 L"
    templates = (
        range_text + ", usually {value:0}: {word}",
        range_text + ": {word}",
        "{place} at {temperature_c:0} °C: scale not known",
    )
    state = np.select([parts["high"].isna() | parts["low"].isna(), parts["value"].isna()], [2, 1], default=0)
    clauses, own = [], parts["number"].to_numpy()
    for number in range(int(own.max()) + 1 if len(parts) else 0):
        at = np.flatnonzero(own == number)
        place = np.full(len(index), -1)
        place[parts["row"].to_numpy()[at]] = at
        chosen, kind = rounded.take(np.maximum(place, 0)), state[np.maximum(place, 0)]
        for code, template in enumerate(templates):
            mask = (place >= 0) & (kind == code)
            if mask.any():
                clauses.append(clause(template, mask, chosen))
    return joined(clauses, index)
