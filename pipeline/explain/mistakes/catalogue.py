"""The catalogue of single mistakes: what each one did to the number as it was received.

One entry is one mistake on one reading, with its variants. An entry gives, for every sample, the value
the reading would have without the mistake. To add a mistake, add an entry to the module of its kind and its
frequency to ``reference/mistake_priors.csv``; words for people are in ``wording``.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pipeline.chemistry.equivalents import (
    CHARGE,
    MOLAR_MASS,
)
from pipeline.explain.mistakes.candidate import Candidate
from pipeline.explain.mistakes.digits import tenfold, transposed
from pipeline.explain.mistakes.exchange import copied_columns, exchanged_columns
from pipeline.explain.mistakes.kit import counting_habit, kit_mistakes, one_vial
from pipeline.explain.mistakes.meter import meter_mistakes
from pipeline.explain.mistakes.two import two_mistakes
from pipeline.explain.mistakes.unnamed import unnamed_mistakes, unread_ions
from pipeline.explain.mistakes.water import true_states
from pipeline.explain.mistakes.wrong_unit import (
    ALKALINITY_UNITS,
    CONDUCTIVITY_UNITS,
    HARDNESS_UNITS,
    UNIT_SHARES,
    assumed_units,
    both_converted,
    both_kits,
    fahrenheit,
    wrong_bases,
    wrong_units,
)
from pipeline.explain.record import ROW, SECOND
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import numpy.typing as npt


_METALS: Final = ("iron", "manganese", "copper", "lead")
_IONS: Final = ("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate", "nitrate")
_SCALED: Final = (
    "conductivity", "tds", "total_hardness", "calcium_hardness", "alkalinity", "bicarbonate", *_IONS,
    "fluoride", "silica",
)  # fmt: skip


def _of_reading(name: str, row: int) -> list[Candidate]:
    """Every mistake of one reading."""
    found: list[Candidate] = []
    mg = {"µg/L": 0.001, "g/L": 1000.0}
    if name in ("total_hardness", "calcium_hardness"):
        found += wrong_units(name, HARDNESS_UNITS, row, UNIT_SHARES) + assumed_units(name, HARDNESS_UNITS, row)
    elif name == "alkalinity":
        found += wrong_units(name, ALKALINITY_UNITS, row, UNIT_SHARES) + assumed_units(name, ALKALINITY_UNITS, row)
    elif name == "conductivity":
        found += wrong_units(name, CONDUCTIVITY_UNITS, row, {}) + assumed_units(name, CONDUCTIVITY_UNITS, row)
    elif name in _IONS or name == "bicarbonate":
        each = MOLAR_MASS[name] / abs(CHARGE[name])
        molar = {"mmol/L": MOLAR_MASS[name], "meq/L": each} if abs(CHARGE[name]) > 1 else {"mmol/L": each}
        found += wrong_units(name, {**molar, **mg}, row, {"g/L": 0.3})
    elif name == "tds":
        found += wrong_units(name, {"g/L": 1000.0}, row, {})
    elif name in _METALS:
        found += wrong_units(name, {"µg/L": 0.001}, row, {})
    found += wrong_bases(name, row) + tenfold(name, row) + transposed(name, row)
    if name in ("total_hardness", "calcium_hardness", "alkalinity"):
        found += kit_mistakes(name, row)
    return found


@cache
def catalogue() -> tuple[Candidate, ...]:
    """Give every candidate, the record without a mistake first.

    Returns
    -------
    Candidates; the priors of one mistake and analyte are shared out by their weights.
    """
    found = [Candidate("no-mistake")]
    for name in (*_SCALED, *_METALS):
        found += _of_reading(name, ROW[name])
    for name in SECOND:
        found += _of_reading(name, ROW[f"second {name}"])
    found += (
        tenfold("ph", ROW["ph"])
        + fahrenheit()
        + exchanged_columns()
        + meter_mistakes()
        + true_states()
        + unread_ions()
        + [counting_habit()]
        + one_vial()
        + both_converted()
        + both_kits()
        + copied_columns()
    )
    found += [
        Candidate("instrument-fault", name, "", "", None, ((ROW[name], 2.0),), seen=True, row=ROW[name])
        for name in ("ph", "tds")
    ]
    found.append(Candidate("copied-reading", "", "", "an earlier record again", None, seen=True))
    for name in _SCALED:
        found += unnamed_mistakes(name, ROW[name])
    found.append(Candidate("none-of-these", "ph", loosened=((ROW["ph"], 1.5),), row=ROW["ph"]))
    for name in SECOND:
        found += unnamed_mistakes(name, ROW[f"second {name}"])
    everything = tuple(
        (row, 0.7) for name, row in ROW.items() if name in ANALYTES and name not in ("temperature", "ph")
    )
    found.append(Candidate("several-mistakes", loosened=everything))
    found.append(Candidate("found-by-check", seen=True))
    found += two_mistakes(found, ("conductivity", "alkalinity", "bicarbonate", *_IONS))
    return tuple(found)


@cache
def every(fact: str) -> npt.NDArray[Any]:
    """Give one attribute of every candidate, in the order of the catalogue."""
    return np.array([getattr(one, fact) for one in catalogue()])
