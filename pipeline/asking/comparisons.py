"""What the other readings of a file say of a unit: the relations of chemistry as tests of whole columns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.chemistry.equivalents import ANIONS, CACO3_PER_CALCIUM, CACO3_PER_MAGNESIUM, CATIONS, HCO3_PER_CACO3
from pipeline.explain.record import ROW
from pipeline.explain.relations.balance import charge_balance
from pipeline.explain.relations.charges import charges
from pipeline.explain.relations.conductivity import carried_conductivity
from pipeline.explain.relations.forms import CARBONATE_PER_CACO3, FORM_MODEL, ratio

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Floats

LARGEST_GAP: Final = 0.10  # relative: a unit whose columns agree that well fits [CP]
_IONS: Final = (*CATIONS, *ANIONS, "total_hardness", "alkalinity", "bicarbonate", "carbonate")
_PER_HARDNESS: Final = (1.6, 5.0)  # µS/cm per mg/L as CaCO3 of natural waters that were not softened [HEM1985, CP]
_SOLIDS: Final = (0.45, 0.85)  # TDS over conductivity, every scale [CP, HEM1985]
_ALKALINE: Final = (0.25, 2.0)  # alkalinity over hardness of waters that were not softened [HEM1985]


@dataclass(frozen=True)
class Comparison:
    """One relation as a test of units.

    Attributes
    ----------
    name : as it is told.
    quantities : those it reads.
    gap : values (r, n) → relative gap (n,), missing where a reading lacks; 0 agrees.
    words : values (r, 1) → the evidence of one sample in numbers.
    proves : it is sharp enough to tell units apart; else it only says what is usual.
    """

    name: str
    quantities: tuple[str, ...]
    gap: Callable[[Floats], Floats]
    words: Callable[[Floats], str]
    proves: bool = True


def _plain(number: float) -> str:
    return f"{number:.3g}" if abs(number) < 100 else f"{number:,.0f}"  # noqa: PLR2004 - three digits


def _sum(whole: str, parts: dict[str, float]) -> Callable[[Floats], Floats]:
    return lambda values: ratio(values, whole, parts, FORM_MODEL**2).gap


def _sum_words(whole: str, name: str, parts: dict[str, float], of: str) -> Callable[[Floats], str]:
    def words(values: Floats) -> str:
        relation = ratio(values, whole, parts, FORM_MODEL**2)
        return f"{name} {_plain(values[ROW[whole], 0])} beside {_plain(relation.predicted[0])} from {of}"

    return words


def _balance(values: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        sums = charges(values)
        return np.where(sums.full, charge_balance(values, sums).gap, np.nan)


def _balance_words(values: Floats) -> str:
    sums = charges(values)
    return f"cations {_plain(sums.cations[0])} and anions {_plain(sums.anions[0])} meq/L"


def _electric(values: Floats) -> tuple[Floats, Floats]:
    """Give the gap of the conductivity and what the ions carry, where all ions of at least one side were read."""
    with np.errstate(divide="ignore", invalid="ignore"):
        sums = charges(values)
        relation = carried_conductivity(values, sums)
    usable = sums.full
    return np.where(usable, relation.gap, np.nan), relation.predicted


def _electric_words(values: Floats) -> str:
    carried = _electric(values)[1]
    return f"conductivity {_plain(values[ROW['conductivity'], 0])} beside {_plain(carried[0])} µS/cm of the ions"


def _within(of: str, per: str, bounds: tuple[float, float]) -> Callable[[Floats], Floats]:
    """Give how far a ratio of two readings is outside its bounds, as a logarithm."""

    def gap(values: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            found = np.log(values[ROW[of]] / values[ROW[per]])
        found = np.where(np.isfinite(found), found, np.nan)
        low, high = np.log(bounds[0]), np.log(bounds[1])
        return np.where(found < low, found - low, np.where(found > high, found - high, 0.0 * found))

    return gap


def _within_words(of: str, of_name: str, per: str, per_name: str) -> Callable[[Floats], str]:
    return lambda values: (
        f"{of_name} {_plain(values[ROW[of], 0])} beside {per_name} {_plain(values[ROW[per], 0])} is usual"
    )


_HARDNESS: Final = {"calcium": CACO3_PER_CALCIUM, "magnesium": CACO3_PER_MAGNESIUM}
_PARTS: Final = {"calcium_hardness": 1.0, "magnesium_hardness": 1.0}
_FORMS: Final = {"bicarbonate": 1.0 / HCO3_PER_CACO3, "carbonate": CARBONATE_PER_CACO3}

COMPARISONS: Final = (
    Comparison(
        "hardness",
        ("total_hardness", "calcium", "magnesium"),
        _sum("total_hardness", _HARDNESS),
        _sum_words("total_hardness", "hardness", _HARDNESS, "calcium and magnesium"),
    ),
    Comparison(
        "hardness of its parts",
        ("total_hardness", "calcium_hardness", "magnesium_hardness"),
        _sum("total_hardness", _PARTS),
        _sum_words("total_hardness", "hardness", _PARTS, "its parts"),
    ),
    Comparison(
        "calcium hardness",
        ("calcium_hardness", "calcium"),
        _sum("calcium_hardness", {"calcium": CACO3_PER_CALCIUM}),
        _sum_words("calcium_hardness", "calcium hardness", {"calcium": CACO3_PER_CALCIUM}, "calcium"),
    ),
    Comparison(
        "alkalinity",
        ("alkalinity", "bicarbonate", "carbonate"),
        _sum("alkalinity", _FORMS),
        _sum_words("alkalinity", "alkalinity", _FORMS, "bicarbonate"),
    ),
    Comparison("balance", _IONS, _balance, _balance_words),
    Comparison("conductivity", ("conductivity", *_IONS), lambda values: _electric(values)[0], _electric_words),
    Comparison(
        "conductivity beside hardness",
        ("conductivity", "total_hardness"),
        _within("conductivity", "total_hardness", _PER_HARDNESS),
        _within_words("conductivity", "conductivity", "total_hardness", "hardness"),
        proves=False,
    ),
    Comparison(
        "alkalinity beside hardness",
        ("alkalinity", "total_hardness"),
        _within("alkalinity", "total_hardness", _ALKALINE),
        _within_words("alkalinity", "alkalinity", "total_hardness", "hardness"),
        proves=False,
    ),
    Comparison(
        "solids beside conductivity",
        ("tds", "conductivity"),
        _within("tds", "conductivity", _SOLIDS),
        _within_words("tds", "dissolved solids", "conductivity", "conductivity"),
        proves=False,
    ),
)
