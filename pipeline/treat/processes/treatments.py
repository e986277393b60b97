"""The treatments by name, and what each makes of a water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.treatment_names import JOINT, TRAINS
from pipeline.chemistry.carbonate import speciate
from pipeline.chemistry.equivalents import column
from pipeline.chemistry.mixing import blend
from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.treat.processes import (
    blending,
    calcite,
    decarbonising,
    demineralising,
    devices,
    magnesium,
    media,
    remineralising,
    reverse_osmosis,
    softening,
)
from pipeline.treat.processes.prediction import lay_out, with_bounds
from pipeline.treat.processes.settings import SETTINGS, Setting, TreatmentSettings, settle
from pipeline.treat.processes.solutes import Solutes, dissolved
from pipeline.treat.processes.trains import main_stage, of_stage, settings_of_train, stages_of
from pipeline.treat.processes.venting import vented
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy.typing as npt


__all__ = ["TREATMENTS", "Setting", "Treatment", "blend_waters", "named", "treat", "vented"]


@dataclass(frozen=True)
class Treatment:
    """One treatment: what it is called, its stages in a row, what can be set, and what it needs to know.

    A single treatment is its own only stage; ``_APPLY`` has what each stage does to solutes.
    ``removes`` is the load that uses it up: ``hardness alkalinity calcium salts chlorine`` or ``nothing``;
    ``second_water`` is ``no``, ``may`` or ``must``; ``hygiene_days`` the longest a medium stays in (NaN: no limit).
    """

    name: str
    title: Said
    stages: tuple[str, ...]
    settings: tuple[Setting, ...]
    needs: tuple[str, ...]
    removes: str
    second_water: str
    hygiene_days: float
    source: str


def leave(water: Solutes, _: TreatmentSettings) -> Solutes:
    """Leave waters as they are."""
    return water


_APPLY: Final[dict[str, Callable[[Solutes, TreatmentSettings], Solutes]]] = {
    "none": leave,
    "carbon": leave,
    "softener": softening.soften,
    "decarboniser": decarbonising.decarbonise,
    "buffered decarboniser": decarbonising.decarbonise_buffered,
    "magnesium exchanger": magnesium.exchange,
    "reverse osmosis": reverse_osmosis.permeate,
    "demineraliser": demineralising.demineralise,
    "calcite contact": calcite.contact,
    "remineraliser": remineralising.mineralise,
    "salt dosing": remineralising.dose,
    "blend": blending.mix,
    "resin bag": devices.steep,
    "tank cartridge": devices.pass_through,
    "jug": devices.pass_through,
    "unsoftened tap": devices.unsoftened_tap,
    "softener bypass": devices.open_softener_bypass,
}


def _read() -> dict[str, Treatment]:
    rows = table("treatments").fillna({"needs": ""}).set_index("treatment")
    hygiene = rows["hygiene_days"].astype("float64")
    found = {}
    for name in (*_APPLY, *map(JOINT.join, TRAINS)):
        stages, main = stages_of(name), main_stage(name)
        needed = [text for stage in stages for text in str(rows.loc[stage, "needs"]).split()]
        known = [float(hygiene[stage]) for stage in stages if not np.isnan(hygiene[stage])]
        found[name] = Treatment(
            name,
            Said(f"treat.{name.replace(' ', '-')}"),
            stages,
            settings_of_train(name, SETTINGS),
            tuple(dict.fromkeys(needed)),
            str(rows.loc[main, "removes"]),
            str(rows.loc[main, "second_water"]),
            min(known, default=float("nan")),
            str(rows.loc[main, "source"]),
        )
    return found


_LEAST_SODIUM: Final = 1e-6  # meq/L, rounding
TREATMENTS: Final[Mapping[str, Treatment]] = _read()


def treat(
    waters: pd.DataFrame,
    name: str,
    settings: Mapping[str, npt.ArrayLike] | None = None,
    *,
    other: pd.DataFrame | pd.Series[float] | None = None,
) -> pd.DataFrame:
    """Predict what a treatment makes of waters.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns; missing values NaN. To try many settings on one
        water, repeat its row.
    name : a key of `TREATMENTS`.
    settings : name -> one value or one per water, see ``TREATMENTS[name].settings``; shares are of 1. What is
        not given has its default.
    other : the second water of a blend or a tap before a softener: one water or one per row.

    Returns
    -------
    (n, ...) frame, same index: the canonical columns; ``ph log_pco2_atm calcite_si`` with ``_low`` and
    ``_high`` (no middle where pH, or for the index the calcium share, is not known); per litre of product
    ``hardness_removed_mg_l_caco3 alkalinity_removed_mg_l_caco3 sodium_added_mg_l co2_added_mg_l``; ``reason``
    and ``assumption`` as the chemistry gives them. An ion nobody measured stays missing. All carbon dioxide is
    still in: the pH is that of the pipe, see `vented` for the open tank.

    Raises
    ------
    KettlestoneError : an unknown treatment or setting, a value out of range, a second water missing or too many.

    Notes
    -----
    Ions are exchanged in equivalents and mixed by volume, so the charge closes as well as it did before; total
    carbonate is followed and the pH solved from it. Bypass b and exhausted share e make (b + (1 - b) e) raw.

    Example
    -------
    >>> ions = {"calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "alkalinity_mg_l_caco3": 205.0}
    >>> raw = pd.DataFrame([ions | {"ph": 7.4, "temperature_c": 25.0, "chloride_mg_l": 36.0, "sulfate_mg_l": 40.0}])
    >>> soft = treat(raw, "softener", {"bypass": 0.25})
    >>> soft[["total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]].round(1).to_numpy().tolist()
    [[62.3, 205.0]]
    """
    treatment = named(name)
    chosen = settle(name, treatment.settings, settings or {}, len(waters))
    second = _second(treatment, other, waters.index)
    lacking = column(waters, "ph").isna().to_numpy()
    middle = _once(waters, treatment, chosen, second)
    if not lacking.any():
        return middle
    found = speciate(waters)
    ends = [
        _once(waters.assign(ph=column(waters, "ph").fillna(found[f"ph{end}"])), treatment, chosen, second)
        for end in ("_low", "_high")
    ]
    return with_bounds(middle, ends, lacking)


def named(name: str) -> Treatment:
    """Give a treatment by its name, or say which names there are."""
    if name not in TREATMENTS:
        raise KettlestoneError(f'treatment "{name}" is not known; known: {", ".join(TREATMENTS)}')
    return TREATMENTS[name]


def has_bypass(name: str) -> bool:
    """Say whether raw water can be let past a treatment; not of one that is not known."""
    return name in TREATMENTS and any(setting.name == "bypass" for setting in TREATMENTS[name].settings)


def _second(
    treatment: Treatment, other: pd.DataFrame | pd.Series[float] | None, index: pd.Index
) -> pd.DataFrame | None:
    """Lay the second water out as one row per water."""
    if (other is None and treatment.second_water == "must") or (other is not None and treatment.second_water == "no"):
        wants = "needs a second water" if other is None else "takes no second water"
        raise KettlestoneError(f"{treatment.name}: {wants}")
    if other is None:
        return None
    frame = other.to_frame().T.astype("float64") if isinstance(other, pd.Series) else other
    if len(frame) not in (1, len(index)):
        raise KettlestoneError(f"{treatment.name}: give one second water or one per water, not {len(frame)}")
    rows = np.zeros(len(index), dtype=np.intp) if len(frame) == 1 else np.arange(len(index))
    return frame.take(rows).set_axis(index, axis=0)


def _once(
    waters: pd.DataFrame, treatment: Treatment, chosen: Mapping[str, np.ndarray], second: pd.DataFrame | None
) -> pd.DataFrame:
    raw, known = dissolved(waters)
    added = None
    if second is not None:
        added, also = dissolved(second)
        known = known.both(also)
    treated = raw
    for stage in treatment.stages:
        own = of_stage(treatment.name, stage, chosen, SETTINGS.get(stage, ()))
        treated = _through_stage(treated, stage, own, added)
    short = known.ions["sodium"] & (treated.sodium < -_LEAST_SODIUM)
    if short.any():
        raise KettlestoneError(
            f"{treatment.name}: the softened water holds too little sodium for this hardness; check both readings"
        )
    return lay_out(waters, raw, treated.settled(), known)


def _through_stage(water: Solutes, stage: str, chosen: Mapping[str, np.ndarray], added: Solutes | None) -> Solutes:
    """Send waters through one stage, round it, and past its tired part; its carbon comes last."""
    treated = _APPLY[stage](water, TreatmentSettings(chosen, added))
    whole = np.ones_like(water.hardness)
    if "exhausted" in chosen:
        treated = media.through(water, treated, chosen.get("bypass", 0.0 * whole), chosen["exhausted"])
    if "chlorine_removed" in chosen:
        works = (1.0 - chosen["exhausted"]) * chosen.get("water_passes", whole)
        treated = media.dechlorinated(treated, chosen["chlorine_removed"] * works, chosen["chloramine_removed"] * works)
    return treated


def blend_waters(waters: pd.DataFrame, shares: pd.Series[float] | pd.DataFrame) -> pd.DataFrame:
    """Mix any number of waters, with the derived columns of `treat`.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns, one row per water, unique index.
    shares : as for `pipeline.chemistry.mixing.blend`: a series over the waters, or one blend per row.

    Returns
    -------
    (blends, ...) frame of the columns of `treat`; the account is zero, a blend removes nothing.

    Raises
    ------
    ValueError : the shares do not name the waters, are negative or do not add up to 1.
    """
    mixed = blend(waters, shares).drop(columns=["converged", "reason"])
    return treat(mixed, "none")
