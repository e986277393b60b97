"""Treated solutes as a table again: canonical columns, the pH solved anew, and what the treatment moved."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry import conductance
from pipeline.chemistry.composition import OK
from pipeline.chemistry.equivalents import (
    ANIONS,
    CATIONS,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
    column,
    dissolved_solids_calculated,
)
from pipeline.chemistry.results import in_blocks
from pipeline.chemistry.saturation import minerals
from pipeline.treat.processes.solutes import (
    CO2_MG_PER_MMOL,
    MG_PER_MEQ,
    TRACES,
    Known,
    Solutes,
    trace_column,
)
from pipeline.treat.processes.solving import composition, solve_solutes
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.chemistry.composition import Composition
    from pipeline.chemistry.results import Answer

SOLVED: Final = ("ph", "log_pco2_atm", "calcite_si")
ACCOUNT: Final = (
    "hardness_removed_mg_l_caco3",
    "alkalinity_removed_mg_l_caco3",
    "sodium_added_mg_l",
    "co2_added_mg_l",
)
DOLOMITIC_SHARE: Final = 0.5  # least share of calcium in a hardness whose split nobody measured [CP]
CARBONATE_FROM_PH: Final = 8.3  # below it a laboratory reports all alkalinity as bicarbonate [CP]


def account(raw: Solutes, treated: Solutes) -> dict[str, Floats]:
    """Count what a treatment moved per litre of product: the figures of `ACCOUNT`; negative where it adds.

    Carbon dioxide added is what the carbonate gained and the alkalinity gave up: a calcite bed uses it up.
    """
    freed = treated.total_carbonate - raw.total_carbonate + raw.alkalinity - treated.alkalinity
    values = (
        MG_CACO3_PER_MEQ * (raw.hardness - treated.hardness),
        MG_CACO3_PER_MEQ * (raw.alkalinity - treated.alkalinity),
        MG_PER_MEQ["sodium"] * (treated.sodium - raw.sodium),
        CO2_MG_PER_MMOL * freed,
    )
    return dict(zip(ACCOUNT, values, strict=True))


def solved_columns(treated: Solutes, known: Known) -> dict[str, Floats]:
    """PH, carbon dioxide pressure and calcite index, each with ``_low`` and ``_high``.

    They differ where the calcium share of the hardness is not known. The pH hardly does, so it has a middle
    value; the index then has none.
    """
    ready = known.ph & np.isfinite(treated.hardness + treated.alkalinity + treated.total_carbonate)
    full = _solved(treated, ready, 1.0)
    if known.split[ready].all():
        return {f"{name}{suffix}": full[name] for name in SOLVED for suffix in ("", "_low", "_high")}
    least = _solved(treated, ready, DOLOMITIC_SHARE)
    columns: dict[str, Floats] = {}
    for name in SOLVED:
        low = np.where(known.split, full[name], np.minimum(full[name], least[name]))
        high = np.where(known.split, full[name], np.maximum(full[name], least[name]))
        middle = np.where(known.split, full[name], np.nan) if name == "calcite_si" else (low + high) / 2.0
        columns |= {name: middle, f"{name}_low": low, f"{name}_high": high}
    return columns


def _solved(treated: Solutes, ready: Flags, calcium_share: float) -> dict[str, Floats]:
    some = treated.take(ready)

    def answer(cases: Composition, block: slice) -> Answer:
        return minerals(solve_solutes(cases, some.total_carbonate[block]), ccpp=False)

    values, fault = in_blocks(composition(some, calcium_share=calcium_share), answer)
    columns = {name: np.full(ready.size, np.nan) for name in SOLVED}
    for name in SOLVED:
        columns[name][ready] = np.where(fault == OK, values[name], np.nan)
    return columns


def closed_table(water: Solutes, ph: Floats, index: pd.Index) -> pd.DataFrame:
    """All ions as a table, with the sodium and chloride nobody measured: for conductivity and solids only."""
    columns = {f"{ion}_mg_l": MG_PER_MEQ[ion] * getattr(water, ion) for ion in (*CATIONS, *ANIONS)}
    columns["silica_mg_l"] = MOLAR_MASS["silica"] * water.silica
    columns["alkalinity_mg_l_caco3"] = MG_CACO3_PER_MEQ * water.alkalinity
    clipped = {name: np.maximum(values, 0.0) for name, values in columns.items()}
    return pd.DataFrame(clipped | {"temperature_c": water.temperature_c, "ph": ph}, index=index)


def lay_out(waters: pd.DataFrame, raw: Solutes, treated: Solutes, known: Known) -> pd.DataFrame:
    """Lay treated waters out in the canonical columns.

    Parameters
    ----------
    waters : (n, ...) the table before treatment, for its conductivity and dissolved solids.
    raw, treated : its solutes before and after.
    known : what of them was measured.

    Returns
    -------
    (n, ...) frame, index of ``waters``: `WIDE_COLUMNS`, the columns of `SOLVED` with their ``_low`` and
    ``_high``, `ACCOUNT`, ``reason`` and ``assumption``. What was not measured before stays missing.

    Notes
    -----
    Conductivity and dissolved solids follow the ions [MNR2012, APHA1030]; where the raw water was measured they
    keep its ratio of measured to calculated, so that an offset of the meter does not look like an effect.
    """
    solved = solved_columns(treated, known)
    sides = pd.concat(
        [
            closed_table(raw, floats(column(waters, "ph")), waters.index),
            closed_table(treated, solved["ph"], waters.index),
        ],
        ignore_index=True,
    )
    columns = _ions(treated, known) | _hardness(treated, known) | _alkalinity(treated, solved["ph"])
    calculated = {
        "conductivity_us_cm_25c": conductance.expected(sides)["conductivity_us_cm_25c"],
        "tds_mg_l": dissolved_solids_calculated(sides)["tds_evaporated_mg_l"],
    }
    columns |= {name: _kept_ratio(waters, name, floats(values)) for name, values in calculated.items()}
    columns["temperature_c"] = treated.temperature_c
    frame = pd.DataFrame(columns | solved, index=waters.index)
    wide = [name for name in WIDE_COLUMNS if name in frame.columns]
    rest = [name for name in frame.columns if name not in wide]
    return frame[wide + rest].assign(**account(raw, treated), reason=known.reason, assumption=known.assumption)


def _ions(treated: Solutes, known: Known) -> dict[str, Floats]:
    amounts = {ion: MG_PER_MEQ[ion] * getattr(treated, ion) for ion in (*CATIONS, *ANIONS)}
    amounts["silica"] = MOLAR_MASS["silica"] * treated.silica
    ions = {f"{ion}_mg_l": np.where(known.ions[ion], amount, np.nan) for ion, amount in amounts.items()}
    ions |= {trace_column(name): treated.traces[row] for row, name in enumerate(TRACES)}
    return ions | {"free_chlorine_mg_l": treated.free_chlorine, "total_chlorine_mg_l": treated.total_chlorine}


def _hardness(treated: Solutes, known: Known) -> dict[str, Floats]:
    parts = {
        "total": np.where(known.hardness, treated.hardness, np.nan),
        "calcium": np.where(known.ions["calcium"], treated.calcium, np.nan),
        "magnesium": np.where(known.ions["magnesium"], treated.magnesium, np.nan),
    }
    return {f"{part}_hardness_mg_l_caco3": MG_CACO3_PER_MEQ * amount for part, amount in parts.items()}


def _alkalinity(treated: Solutes, ph: Floats) -> dict[str, Floats]:
    """Alkalinity, and its two forms as a laboratory reports them."""
    second = 10.0 ** (ph - _PK2)
    share = np.where(ph >= CARBONATE_FROM_PH, 2.0 * second / (1.0 + 2.0 * second), 0.0)
    share = np.where(np.isnan(ph), 0.0, share)
    return {
        "alkalinity_mg_l_caco3": MG_CACO3_PER_MEQ * treated.alkalinity,
        "bicarbonate_mg_l": MOLAR_MASS["bicarbonate"] * treated.alkalinity * (1.0 - share),
        "carbonate_mg_l": MOLAR_MASS["carbonate"] / 2.0 * treated.alkalinity * share,
    }


_PK2: Final = 10.33  # of carbonic acid at 25 °C [PB1982]


def _kept_ratio(waters: pd.DataFrame, name: str, calculated: Floats) -> Floats:
    """Scale the treated half of the calculated figures by measured over calculated of the raw half."""
    before, after = np.split(calculated, 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = floats(column(waters, name)) / before
    return np.where(np.isfinite(ratio) & (ratio > 0.0), ratio, 1.0) * after


def with_bounds(middle: pd.DataFrame, ends: list[pd.DataFrame], lacking: Flags) -> pd.DataFrame:
    """Give the waters without pH the range between a groundwater and one that has met the air."""
    columns: dict[str, Floats] = {}
    for name in SOLVED:
        values = [floats(end[f"{name}{suffix}"]) for end in ends for suffix in ("_low", "_high")]
        for suffix, reduced in (("_low", np.min(values, axis=0)), ("_high", np.max(values, axis=0))):
            columns[f"{name}{suffix}"] = np.where(lacking, reduced, floats(middle[f"{name}{suffix}"]))
    return middle.assign(**columns)
