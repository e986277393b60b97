"""The charges of a record: its ions in meq/L, and which of the majors were read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.arrays import floats
from pipeline.chemistry.equivalents import (
    ANIONS,
    CATIONS,
    CHARGE,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
)
from pipeline.explain.record import ROW
from pipeline.explain.relations.relation import or_zero

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats
    from pipeline.explain.readings import RowReadings

CHARGED: Final = (*CATIONS, *ANIONS, "total_hardness", "alkalinity", "bicarbonate", "carbonate")
MAJORS: Final = ("hardness", "sodium", "alkalinity", "chloride", "sulfate")


@dataclass(frozen=True)
class Charges:
    """Ions in meq/L (0 where not read) and which sides are complete."""

    meq: dict[str, Floats]
    slopes: dict[str, dict[int, float | Floats]]
    hardness: Floats
    alkalinity: Floats
    cations: Floats
    anions: Floats
    known: dict[str, Flags]

    @property
    def cations_known(self) -> Flags:
        """Hardness and sodium were read."""
        return self.known["hardness"] & self.known["sodium"]

    @property
    def anions_known(self) -> Flags:
        """Alkalinity, chloride and sulfate were read."""
        return self.known["alkalinity"] & self.known["chloride"] & self.known["sulfate"]

    @property
    def full(self) -> Flags:
        """All majors were read: the charges must cancel."""
        return self.cations_known & self.anions_known

    @property
    def open_anions(self) -> Flags:
        """All cations were read, some anion was not: it holds whatever the cations lack."""
        return self.cations_known & ~self.anions_known

    @property
    def open_cations(self) -> Flags:
        """All anions were read, some cation was not."""
        return self.anions_known & ~self.cations_known

    @property
    def single(self) -> Flags:
        """Exactly one of the five majors was not read: it can be reckoned from the others."""
        return np.asarray(np.sum([self.known[name] for name in MAJORS], axis=0) == len(MAJORS) - 1)

    @property
    def lack(self) -> Floats:
        """What ions that were not read hold on the open side [meq/L]; 0 where none can hold anything."""
        apart = self.cations - self.anions
        return np.where(
            self.open_anions, np.maximum(apart, 0.0), np.where(self.open_cations, np.maximum(-apart, 0.0), 0.0)
        )


def charges(values: RowReadings) -> Charges:
    """Add the charges up as the ion balance does: the ions where read, else the titrations.

    Parameters
    ----------
    values : (r, m) readings, rows of ROWS.

    Returns
    -------
    Charges [meq/L].
    """
    per_mg = {ion: abs(CHARGE[ion]) / MOLAR_MASS[ion] for ion in (*CATIONS, *ANIONS, "bicarbonate", "carbonate")}
    read = {name: ~np.isnan(values[ROW[name]]) for name in CHARGED}
    meq = {ion: or_zero(values[ROW[ion]]) * per_mg[ion] for ion in (*CATIONS, *ANIONS)}
    slopes: dict[str, dict[int, float | Floats]] = {ion: {ROW[ion]: per_mg[ion]} for ion in (*CATIONS[2:], *ANIONS)}
    split = read["calcium"] & read["magnesium"]
    titrated = or_zero(values[ROW["total_hardness"]]) / MG_CACO3_PER_MEQ
    hardness = np.where(split, meq["calcium"] + meq["magnesium"], titrated)
    share = np.divide(meq["calcium"], hardness, out=np.full_like(hardness, 0.75), where=split & (hardness > 0))
    calcium, magnesium = hardness * share, hardness * (1.0 - share)
    whole: Floats = ~split / MG_CACO3_PER_MEQ
    for ion, part in (("calcium", share), ("magnesium", 1.0 - share)):
        slopes[ion] = {ROW[ion]: floats(split * per_mg[ion]), ROW["total_hardness"]: part * whole}
    alkaline = read["alkalinity"]
    forms = or_zero(values[ROW["bicarbonate"]]) * per_mg["bicarbonate"]
    forms = forms + or_zero(values[ROW["carbonate"]]) * per_mg["carbonate"]
    alkalinity = np.where(alkaline, or_zero(values[ROW["alkalinity"]]) / MG_CACO3_PER_MEQ, forms)
    slopes["bicarbonate"] = {
        ROW["alkalinity"]: alkaline / MG_CACO3_PER_MEQ,
        ROW["bicarbonate"]: ~alkaline * per_mg["bicarbonate"],
        ROW["carbonate"]: ~alkaline * read["carbonate"] * per_mg["carbonate"],
    }
    meq |= {"calcium": calcium, "magnesium": magnesium, "bicarbonate": alkalinity}
    cations = sum((meq[ion] for ion in CATIONS), start=values[ROW["unread cation"]])
    anions = sum((meq[ion] for ion in (*ANIONS, "bicarbonate")), start=values[ROW["unread anion"]])
    known = {**read, "hardness": split | read["total_hardness"], "alkalinity": alkaline | read["bicarbonate"]}
    return Charges(meq, slopes, hardness, alkalinity, cations, anions, known)


def unread(amounts: Floats) -> npt.NDArray[np.str_]:
    """Name the one major ion that was not read, "" where none or several were not.

    Parameters
    ----------
    amounts : (r, m) readings, rows of ROWS.
    """
    read = {name: ~np.isnan(amounts[row]) for name, row in ROW.items()}
    read["hardness"] = read["total_hardness"] | (read["calcium"] & read["magnesium"])
    read["alkalinity"] = read["alkalinity"] | read["bicarbonate"]
    single = np.sum([read[name] for name in MAJORS], axis=0) == len(MAJORS) - 1
    named = np.select([~read[name] for name in MAJORS], ["total_hardness", *MAJORS[1:]], "")
    return np.where(single, named, "")
