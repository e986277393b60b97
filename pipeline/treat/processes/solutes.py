"""A water as treatment sees it: what is dissolved in it, in equivalents, row by row of a table.

Ion exchange, membranes and salts move equivalents and carbonate; hardness, pH and conductivity follow.
Everything here adds up when waters are mixed, so a bypass is one line.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
import pandas as pd

from pipeline.arrays import Flags, Floats, floats
from pipeline.chemistry.carbonate import fault
from pipeline.chemistry.composition import (
    ASSUMPTIONS,
    CHLORIDE,
    NO_CARBONATE,
    OK,
    REASONS,
    SODIUM,
    Prepared,
    prepare,
)
from pipeline.chemistry.equivalents import (
    ANIONS,
    CATIONS,
    CHARGE,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
    alkalinity_meq_l,
    calcium_and_magnesium,
    column,
)
from pipeline.chemistry.remarks import remarks
from pipeline.chemistry.results import BLOCK
from pipeline.chemistry.solving import at_sampling

TRACES: Final = ("iron", "manganese", "copper", "lead", "turbidity")
MG_PER_MEQ: Final = {ion: MOLAR_MASS[ion] / abs(CHARGE[ion]) for ion in (*CATIONS, *ANIONS)}
CO2_MG_PER_MMOL: Final = MOLAR_MASS["carbon_dioxide"]
_LEAST_CARBONATE: Final = 1e-7  # mol/L that stand for none
_NOISE: Final = 1e-9  # meq/L left by subtracting equals


@dataclass(frozen=True)
class Solutes:
    """n waters: ions and alkalinity [meq/L], silica, carbonate and free carbon dioxide [mmol/L].

    A hardness whose calcium share is not known stands under ``calcium``; sodium and chloride that nobody
    measured are what closes the charge. What may be shown is decided by the table, not here.
    ``carbon_dioxide`` is that of the water as sampled, missing without pH; ``total_carbonate`` is conserved. Chlorine
    [mg/L as Cl2] is kept as free and as bound; ``traces`` (5, n) in the units of their columns.
    """

    temperature_c: Floats
    calcium: Floats
    magnesium: Floats
    sodium: Floats
    potassium: Floats
    ammonium: Floats
    alkalinity: Floats
    chloride: Floats
    sulfate: Floats
    nitrate: Floats
    fluoride: Floats
    silica: Floats
    total_carbonate: Floats
    carbon_dioxide: Floats
    free_chlorine: Floats
    total_chlorine: Floats
    traces: Floats

    @property
    def hardness(self) -> Floats:
        """Calcium and magnesium together [meq/L]."""
        return floats(self.calcium + self.magnesium)

    def change(self, **amounts: Floats) -> Solutes:
        """Add the amounts (negative: take away) to the fields of the same names."""
        return replace(self, **{name: getattr(self, name) + amount for name, amount in amounts.items()})

    def scale(self, **factors: Floats) -> Solutes:
        """Multiply the fields of the same names."""
        return replace(self, **{name: getattr(self, name) * factor for name, factor in factors.items()})

    def mixed_with(self, other: Solutes, share: Floats) -> Solutes:
        """Replace the share [-] of each water by the other; the other is not asked where its share is 0."""
        parts = {part.name: (getattr(self, part.name), getattr(other, part.name)) for part in fields(self)}
        mixed = {
            name: np.where(share == 0.0, own, np.where(share == 1.0, added, own * (1.0 - share) + added * share))
            for name, (own, added) in parts.items()
        }
        return Solutes(**mixed)

    def settled(self) -> Solutes:
        """Clear what subtracting equals leaves behind, so that nothing ends a hair below 0."""
        clear = {
            part.name: np.where(np.abs(getattr(self, part.name)) < _NOISE, 0.0, getattr(self, part.name))
            for part in fields(self)
        }
        return Solutes(**clear)

    def take(self, rows: Flags) -> Solutes:
        """Keep some of the waters."""
        return Solutes(**{part.name: getattr(self, part.name)[..., rows] for part in fields(self)})


@dataclass(frozen=True)
class Known:
    """What of (n,) waters was measured: per ion, the calcium share of the hardness, the pH; and in words."""

    ions: dict[str, Flags]
    split: Flags
    hardness: Flags
    ph: Flags
    reason: pd.Series[str]
    assumption: pd.Series[str]

    def both(self, other: Known) -> Known:
        """Tell what is known of mixtures of these waters with others, row by row."""
        return Known(
            {ion: flags & other.ions[ion] for ion, flags in self.ions.items()},
            self.split & other.split,
            self.hardness & other.hardness,
            self.ph & other.ph,
            self.reason.where(self.reason != "", other.reason),
            self.assumption.where(self.assumption != "", other.assumption),
        )


def dissolved(waters: pd.DataFrame) -> tuple[Solutes, Known]:
    """Read a table of waters as solutes.

    Parameters
    ----------
    waters : (n, ...) frame with the canonical columns; missing values NaN.

    Returns
    -------
    Solutes, and what of them was measured. A missing alkalinity stays missing; where there is no pH the
    carbonate is that of a water without free carbon dioxide, and ``carbon_dioxide`` is missing.
    """
    pair = calcium_and_magnesium(waters)
    total = floats(column(waters, "total_hardness_mg_l_caco3")) / MG_CACO3_PER_MEQ
    calcium, magnesium = (floats(pair[f"{ion}_mg_l"]) / MG_PER_MEQ[ion] for ion in ("calcium", "magnesium"))
    split = ~np.isnan(calcium) & ~np.isnan(magnesium)
    whole = np.isnan(calcium) & np.isnan(magnesium)
    calcium = np.where(whole, total, calcium)
    ions = {ion: floats(column(waters, f"{ion}_mg_l")) / MG_PER_MEQ[ion] for ion in (*CATIONS[2:], *ANIONS)}
    known = {ion: ~np.isnan(values) for ion, values in ions.items()}
    prepared = prepare(waters)
    for ion, closing in _closing(prepared, len(waters)).items():
        ions[ion] = np.where(known[ion], ions[ion], closing)
    alkalinity = floats(alkalinity_meq_l(waters))
    carbonate = _carbonate(waters, prepared)
    ph_known = ~np.isnan(carbonate["total_carbonate"])
    silica = floats(column(waters, "silica_mg_l")) / MOLAR_MASS["silica"]
    temperature = floats(column(waters, "temperature_c"))
    solutes = Solutes(
        temperature_c=np.where(np.isnan(temperature), 25.0, temperature),
        calcium=calcium,
        magnesium=np.maximum(np.nan_to_num(magnesium), 0.0),
        **{ion: np.nan_to_num(values) for ion, values in ions.items()},
        alkalinity=alkalinity,
        silica=np.nan_to_num(silica),
        total_carbonate=np.where(ph_known, carbonate["total_carbonate"], alkalinity),
        carbon_dioxide=carbonate["carbon_dioxide"],
        free_chlorine=floats(column(waters, "free_chlorine_mg_l")),
        total_chlorine=floats(column(waters, "total_chlorine_mg_l")),
        traces=np.vstack([floats(column(waters, trace_column(name))) for name in TRACES]),
    )
    known |= {"silica": ~np.isnan(silica), "calcium": split, "magnesium": split}
    hardness = split | (whole & ~np.isnan(total))
    code = np.where(
        (prepared.reason == OK) & ~ph_known & ~np.isnan(column(waters, "ph")), NO_CARBONATE, prepared.reason
    )
    reason = pd.Series(np.array(REASONS, dtype=object)[code], index=waters.index, dtype="str")
    assumed = {words: (prepared.assumed >> bit & 1).astype(bool) for bit, words in enumerate(ASSUMPTIONS)}
    return solutes, Known(known, split, hardness, ph_known, reason, remarks(assumed, waters.index))


def trace_column(trace: str) -> str:
    """Name the canonical column of one of `TRACES`."""
    return "turbidity_ntu" if trace == "turbidity" else f"{trace}_mg_l"


def _carbonate(waters: pd.DataFrame, prepared: Prepared) -> dict[str, Floats]:
    """Total carbonate and free carbon dioxide [mmol/L] of the waters whose pH is known, NaN for the others.

    An unknown calcium share gives two solutions a few thousandths apart: their mean stands for both.
    """
    cases = prepared.cases.take(np.flatnonzero(np.isfinite(prepared.cases.ph)))
    result = {name: np.full(len(waters), np.nan) for name in ("total_carbonate", "carbon_dioxide")}
    for begin in range(0, cases.row.size, BLOCK):
        block = cases.take(slice(begin, begin + BLOCK))
        solution = at_sampling(block)
        fine = fault(solution) == OK
        bare = fine & solution.without_carbonate
        found = {"total_carbonate": solution.total_carbonate, "carbon_dioxide": solution.amount("CO2")}
        amounts = {name: np.where(bare, _LEAST_CARBONATE, amount) for name, amount in found.items()}
        for name, amount in amounts.items():
            both = pd.Series(np.where(fine, 1e3 * amount, np.nan)).groupby(block.row).mean()
            result[name][both.index.to_numpy()] = both.to_numpy()
    return result


def _closing(prepared: Prepared, size: int) -> dict[str, Floats]:
    """Sodium and chloride [meq/L] with which the chemistry closes an analysis; 0 where it cannot."""
    rows, first = np.unique(prepared.cases.row, return_index=True)
    closing = {}
    for name, place in (("sodium", SODIUM), ("chloride", CHLORIDE)):
        closing[name] = np.zeros(size)
        closing[name][rows] = 1e3 * prepared.cases.ions[place, first]
    return closing
