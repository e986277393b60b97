"""The catalogue of single mistakes: what each one did to the number as it was received.

One entry is one mistake on one reading, with its variants. An entry gives, for every sample, the value
the reading would have without the mistake. To add a mistake, add an entry to `catalogue` and its frequency
to ``reference/mistake_priors.csv``; words for people are in ``wording``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.compensation import factor_to_25c
from pipeline.chemistry.equivalents import (
    CACO3_PER_CALCIUM,
    CACO3_PER_MAGNESIUM,
    CHARGE,
    HCO3_PER_CACO3,
    MG_CACO3_PER_MEQ,
    MOLAR_MASS,
)
from pipeline.explain import relations
from pipeline.explain.record import ROW, SECOND
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats
    from pipeline.explain.record import Record

    Change = Callable[[Record], dict[int, Floats]]
    Where = Callable[[Record], Flags]

DEGREE: Final[dict[str, float]] = {  # mg/L as CaCO3 in one unit [DIN19640, GRAIN]
    "°dH": 17.848,
    "°f": 10.0,
    "°Clark": 14.254,
    "gpg": 17.118,
    "mg/L as CaCO3": 1.0,
    "meq/L": MG_CACO3_PER_MEQ,
}
DROP_UNITS: Final = ("°dH", "°f", "°Clark", "gpg")  # what a drop of a kit is worth [CP]
_MOST_DROPS: Final = 60.0  # that anyone counts [CP]
HARDNESS_UNITS: Final = {**DEGREE, "mmol/L": 2.0 * MG_CACO3_PER_MEQ}
ALKALINITY_UNITS: Final = {  # a mmol of acid is a meq: one answer
    **{unit: worth for unit, worth in DEGREE.items() if unit != "meq/L"},
    "mmol/L (acid capacity)": MG_CACO3_PER_MEQ,
}
_CAO: Final = DEGREE["°dH"] / 10.0  # 1.785 mg CaCO3 per mg CaO
BASES: Final[dict[str, dict[str, float]]] = {  # canonical mg/L in 1 mg/L of each form [IUPAC2021]
    "total_hardness": {"as Ca": CACO3_PER_CALCIUM, "as CaO": _CAO},
    "calcium_hardness": {"as Ca": CACO3_PER_CALCIUM, "as CaO": _CAO},
    "alkalinity": {
        "as HCO3": 1.0 / HCO3_PER_CACO3,
        "as CaO": _CAO,
        "as CO3": 2 * MG_CACO3_PER_MEQ / MOLAR_MASS["carbonate"],
    },
    "bicarbonate": {"as CaCO3": HCO3_PER_CACO3, "as CO3": 2 * MOLAR_MASS["bicarbonate"] / MOLAR_MASS["carbonate"]},
    "calcium": {"as CaCO3": 1.0 / CACO3_PER_CALCIUM, "as CaO": _CAO / CACO3_PER_CALCIUM},
    "magnesium": {"as CaCO3": 1.0 / CACO3_PER_MAGNESIUM},
    "nitrate": {"as N": MOLAR_MASS["nitrate"] / 14.007},
    "sulfate": {"as S": MOLAR_MASS["sulfate"] / 32.06},
    "silica": {"as Si": MOLAR_MASS["silica"] / 28.085},
    "chloride": {"as NaCl": MOLAR_MASS["chloride"] / (MOLAR_MASS["chloride"] + MOLAR_MASS["sodium"])},
}
_FORM_SHARES: Final = {"as CaO": 0.2, "as CO3": 0.3}  # nobody prints them but a few old laboratories [CP]
_UNIT_SHARES: Final = {"°dH": 3.0, "°f": 3.0, "mg/L as CaCO3": 2.0}  # against Clark, grains, mmol [CP]
_REVERSED: Final = {  # the form the heading names, and the one the number was in
    ("alkalinity", "converted to CaCO3 twice"): HCO3_PER_CACO3,
    ("bicarbonate", "converted to HCO3 twice"): 1.0 / HCO3_PER_CACO3,
    ("nitrate", "as NO3, read as N"): 14.007 / MOLAR_MASS["nitrate"],
    ("sulfate", "as SO4, read as S"): 32.06 / MOLAR_MASS["sulfate"],
    ("silica", "as SiO2, read as Si"): 28.085 / MOLAR_MASS["silica"],
}
CONDUCTIVITY_UNITS: Final = {"µS/cm": 1.0, "mS/m": 10.0, "mS/cm": 1000.0}
METALS: Final = ("iron", "manganese", "copper", "lead")
_IONS: Final = ("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate", "nitrate")
_SCALED: Final = (
    "conductivity", "tds", "total_hardness", "calcium_hardness", "alkalinity", "bicarbonate", *_IONS,
    "fluoride", "silica",
)  # fmt: skip
_TENFOLD: Final = {"÷ 10": 0.1, "× 10": 10.0, "÷ 100": 0.01, "× 100": 100.0}
_SWAPS: Final = (
    ("total_hardness", "alkalinity"),
    ("conductivity", "tds"),
    ("chloride", "sulfate"),
    ("sodium", "calcium"),
    ("calcium", "magnesium"),
    ("sodium", "potassium"),
    ("chloride", "nitrate"),
    ("sulfate", "nitrate"),
    ("magnesium", "sodium"),
    ("sodium", "chloride"),
    ("magnesium", "potassium"),
    ("conductivity", "total_hardness"),
    ("total_hardness", "calcium_hardness"),
    ("bicarbonate", "sulfate"),
    ("calcium", "potassium"),
    ("bicarbonate", "chloride"),
)
_RARER: Final = 0.3  # of the columns the trade exchanges again and again, the first four; the others are rarer [CP]
_USUAL_SWAPS: Final = 4  # fmt: skip
_LINES: Final = (("calcium", "magnesium", "sodium", "potassium"), ("chloride", "sulfate", "nitrate"))
_SAME_FIGURE: Final = 1e-6
_NEAR_25: Final = 2.0  # °C: nearer, compensation changes less than the meter's own uncertainty [CP]
_COLDS: Final = (10.0, 15.0)  # °C of a sample from the tap where none is recorded [CP]
SOFTENED_SHARE: Final = 0.6  # of the alkalinity: below, the hardness may have been exchanged [CP]
SODA_SHARE: Final = 1.1  # of the hardness: above, sodium must carry alkalinity [CP]
SODA_LEAST: Final = 60.0  # mg/L as CaCO3 [CP]
# Step by step through all orders of size: what an unnamed mistake may have done (ln), with its weight.
STEPS: Final = (-2.9, -1.6, -0.6, 0.6, 1.6, 2.9)
STEP_SPREAD: Final = 0.5
_STEP_WIDTH: Final = 1.6
UNREAD_STEPS: Final = (0.25, 0.45, 0.8, 1.4, 2.5, 4.5)  # meq/L an ion nobody measured may hold


@dataclass(frozen=True)
class Candidate:
    """One way a record may have come about.

    Attributes
    ----------
    mistake : id, see the design of explanations in DEVELOPERS.
    analyte, other : quantities it concerns, "" if none.
    detail : which variant; "unit meant", "form meant".
    change : the values the readings would have without it, by row; missing where it cannot apply. None: no change.
    loosened : rows that say nothing any more, with the standard deviation (ln; meq/L for unread ions) they get.
    water : the water it takes the sample for: "" as recorded, softened, soda, moved.
    weight : share of the mistake's prior.
    where : samples it can apply to. None: all that have the readings.
    seen : only where a check saw it.
    """

    mistake: str
    analyte: str = ""
    other: str = ""
    detail: str = ""
    change: Change | None = None
    loosened: tuple[tuple[int, float], ...] = ()
    water: str = ""
    weight: float = 1.0
    where: Where | None = None
    seen: bool = False
    row: int = field(default=-1)


def _times(row: int, factor: float) -> Change:
    return lambda record: {row: record.amounts[row] * factor}


def _typed(change: Change, row: int) -> Change:
    """Leave out what a drop count cannot be: it has no form and no decimal sign, and a drop is worth a degree."""
    return lambda record: {row: np.where(np.isnan(record.step[row]), change(record)[row], np.nan)}


def _ten(row: int, factor: float) -> Change:
    """Add or lose a digit; of a drop count one that leaves a count people make."""

    def change(record: Record) -> dict[int, Floats]:
        count = record.written[row] * factor
        fits = np.isnan(record.step[row]) | ((count >= 1.0) & (count <= _MOST_DROPS) & (0.05 < factor < 20.0))  # noqa: PLR2004 -- one digit
        return {row: np.where(fits, record.amounts[row] * factor, np.nan)}

    return change


def _meant(row: int, worth: float) -> Change:
    """Give the number as written the worth of another unit."""

    def change(record: Record) -> dict[int, Floats]:
        value = record.amounts[row] * worth / record.unit_worth[row]
        return {row: np.where(_same(value, record.amounts[row]), np.nan, value)}

    return change


def _same(value: Floats, received: Floats) -> Flags:
    return np.abs(value - received) <= 1e-3 * np.abs(received)


def _units(name: str, units: dict[str, float], row: int, shares: dict[str, float]) -> list[Candidate]:
    """Say that the number was written in another unit than the one it was read in."""
    titration = units is HARDNESS_UNITS or units is ALKALINITY_UNITS
    return [
        Candidate(
            "wrong-unit",
            name,
            "",
            unit,
            _typed(_meant(row, worth), row) if titration and unit not in DROP_UNITS else _meant(row, worth),
            weight=shares.get(unit, 1.0),
            row=row,
        )
        for unit, worth in units.items()
    ]


def _read_as(name: str, units: dict[str, float], row: int) -> list[Candidate]:
    """Say that the number was read in a unit it was not written in, where the file's unit is not on record."""

    def back(worth: float) -> Change:
        return lambda record: {row: np.where(record.unit_known[row], np.nan, record.amounts[row] / worth)}

    return [
        Candidate("wrong-unit", name, "", f"{unit} was assumed", back(worth), weight=0.5, row=row)
        for unit, worth in units.items()
        if worth != 1.0
    ]


def _bases(name: str, row: int) -> list[Candidate]:
    forms = [
        Candidate(
            "wrong-basis", name, "", form, _typed(_times(row, factor), row), weight=_FORM_SHARES.get(form, 1.0), row=row
        )
        for form, factor in BASES.get(name, {}).items()
    ]
    back = [
        Candidate("wrong-basis", name, "", detail, _typed(_times(row, factor), row), weight=0.5, row=row)
        for (analyte, detail), factor in _REVERSED.items()
        if analyte == name
    ]
    return forms + back


def _tens(name: str, row: int) -> list[Candidate]:
    return [
        Candidate(
            "factor-ten",
            name,
            "",
            detail,
            _ten(row, factor),
            weight=1.0 if detail[-1] == "0" and "100" not in detail else 0.2,
            row=row,
        )
        for detail, factor in _TENFOLD.items()
    ]


def _transposed(name: str, row: int) -> list[Candidate]:
    """Two neighbouring digits changed places; the first, second or third pair of the figure."""

    def change(pair: int) -> Change:
        def swap(record: Record) -> dict[int, Floats]:
            with np.errstate(divide="ignore", invalid="ignore"):
                figure = np.abs(record.written[row])
                places = _decimals(figure)
                whole = np.round(figure * 10.0**places)
                digits = np.floor(np.log10(np.where(whole > 0, whole, np.nan))) + 1.0
                low = 10.0 ** (digits - pair - 2)
                first, second = np.floor(whole / (low * 10)) % 10, np.floor(whole / low) % 10
                other = whole + (second - first) * low * 9.0
                fits = (low >= 1.0) & (first != second) & ~((pair == 0) & (second == 0))
                return {row: np.where(fits, record.amounts[row] * other / whole, np.nan)}

        return swap

    return [
        Candidate("digits-transposed", name, "", f"digits {n + 1} and {n + 2}", change(n), row=row) for n in range(3)
    ]


def _decimals(figure: Floats) -> Floats:
    """Count the decimals a figure was written with, two at most."""
    one, two = (
        np.abs(figure - np.round(figure)) > _SAME_FIGURE,
        np.abs(figure * 10 - np.round(figure * 10)) > 10 * _SAME_FIGURE,
    )
    return np.where(two, 2.0, np.where(one, 1.0, 0.0))


def _kit(name: str, row: int) -> list[Candidate]:
    """Volume and count of a drop kit."""

    def volume(factor: float) -> Change:
        return lambda record: {row: np.where(record.counted[row], record.amounts[row] * factor, np.nan)}

    def recorded(power: float) -> Change:
        def change(record: Record) -> dict[int, Floats]:
            value = record.amounts[row] * record.volume[row] ** power
            return {row: np.where(record.counted[row] & ~_same(value, record.amounts[row]), value, np.nan)}

        return change

    def drops(number: int) -> Change:
        def change(record: Record) -> dict[int, Floats]:
            value = record.amounts[row] + number * record.step[row]
            return {row: np.where(value > 0.2 * record.step[row], value, np.nan)}

        return change

    volumes = [
        Candidate("volume-not-applied", name, "", "half the sample volume was used", volume(2.0), row=row),
        Candidate("volume-not-applied", name, "", "twice the sample volume was used", volume(0.5), weight=0.7, row=row),
        Candidate(
            "volume-not-applied", name, "", "the recorded volume was not applied", recorded(1.0), weight=3.0, row=row
        ),
        Candidate(
            "volume-not-applied", name, "", "the recorded volume was applied twice", recorded(-1.0), weight=0.5, row=row
        ),
    ]
    counts = [
        Candidate("miscount", name, "", detail, drops(number), weight=weight, row=row)
        for detail, number, weight in (
            ("first drop not counted (+1 drop)", 1, 1.0),
            ("counted past the end point (−1 drop)", -1, 0.6),
            ("+2 drops", 2, 0.2),
            ("−2 drops", -2, 0.2),
        )
    ]
    return volumes + counts


def _habit() -> Candidate:
    """Who does not count the first drop does not count it in either test."""
    rows = ROW["total_hardness"], ROW["alkalinity"]

    def change(record: Record) -> dict[int, Floats]:
        return {row: record.amounts[row] + record.step[row] for row in rows}

    detail = "first drop not counted, in both tests (+1 drop)"
    return Candidate("miscount", "total_hardness", "alkalinity", detail, change, weight=1.0, row=rows[0])


def _swap(names: tuple[str, ...], moved: tuple[str, ...]) -> Change:
    """Give each quantity the number written under another; the number keeps the unit of its heading."""
    pairs = tuple(zip((ROW[name] for name in names), (ROW[name] for name in moved), strict=True))

    def change(record: Record) -> dict[int, Floats]:
        return {to: record.amounts[source] / record.unit_worth[source] * record.unit_worth[to] for to, source in pairs}

    return change


def _swaps() -> list[Candidate]:
    pairs = [
        Candidate(
            "swapped-analytes",
            one,
            other,
            "",
            _swap((one, other), (other, one)),
            weight=1.0 if place < _USUAL_SWAPS else _RARER,
            row=ROW[one],
        )
        for place, (one, other) in enumerate(_SWAPS)
    ]
    shifted = [
        Candidate(
            "swapped-analytes",
            line[0],
            line[-1],
            f"columns shifted by one {words}",
            _swap(line, order),
            weight=_RARER,
            row=ROW[line[0]],
        )
        for line in _LINES
        for words, order in (("to the right", (*line[1:], line[0])), ("to the left", (line[-1], *line[:-1])))
    ]
    return pairs + shifted


def _meters() -> list[Candidate]:
    """Conductivity at another temperature, another scale of dissolved solids."""
    ec, tds, degrees = ROW["conductivity"], ROW["tds"], ROW["temperature"]

    def own(record: Record) -> dict[int, Floats]:
        read = record.amounts[degrees]
        factor = factor_to_25c(pd.Series(read)).to_numpy()
        return {ec: np.where(np.abs(read - 25.0) > _NEAR_25, record.amounts[ec] * factor, np.nan)}

    def assumed(celsius: float) -> Change:
        factor = float(factor_to_25c(celsius).item())
        return lambda record: {ec: np.where(np.isnan(record.amounts[degrees]), record.amounts[ec] * factor, np.nan)}

    def twenty(record: Record) -> dict[int, Floats]:
        return {ec: record.amounts[ec] * float(factor_to_25c(20.0).item())}

    def copied(record: Record) -> Flags:
        return np.asarray(np.abs(record.amounts[tds] - record.amounts[ec]) <= 1e-6 * record.amounts[ec])

    def shown(record: Record) -> Flags:
        return ~record.laboratory_tds  # what was weighed has no scale

    cold = "not-temperature-compensated"
    return [
        Candidate(cold, "conductivity", "", "read at the sample's temperature", own, weight=1.0, row=ec),
        *(
            Candidate(cold, "conductivity", "", f"read at about {celsius:.0f} °C", assumed(celsius), weight=0.5, row=ec)
            for celsius in _COLDS
        ),
        Candidate(cold, "conductivity", "", "stated for 20 °C", twenty, weight=0.8, row=ec),
        *(
            Candidate("wrong-tds-scale", "tds", "", detail, _times(tds, factor), where=shown, row=tds)
            for detail, factor in {
                "scale 0.5 (NaCl) instead of 0.67": 0.67 / 0.5,
                "scale 0.67 instead of 0.5 (NaCl)": 0.5 / 0.67,
                "scale 0.5 (NaCl) of a water that holds more": 0.62 / 0.5,
            }.items()
        ),
        Candidate("copied-reading", "tds", "conductivity", "conductivity typed as dissolved solids", None,
                  loosened=((tds, 1.5),), where=copied, seen=True, row=tds),
    ]  # fmt: skip


def _states() -> list[Candidate]:
    """Name what is true and looks like a mistake."""
    hardness, alkalinity = ROW["total_hardness"], ROW["alkalinity"]

    def low(record: Record) -> Flags:
        return softened_like(record.amounts)

    def above(record: Record) -> Flags:
        return soda_like(record.amounts)

    return [
        Candidate("softened-water", "total_hardness", "sodium", "", None, water="softened", where=low, row=hardness),
        Candidate("soda-water", "alkalinity", "sodium", "", None, water="soda", where=above, row=alkalinity),
        Candidate("source-change", water="moved", seen=True),
    ]


def softened_like(amounts: Floats) -> Flags:
    """Tell where hardness is well below alkalinity."""
    hardness, alkalinity = titrations(amounts)
    return np.asarray(hardness < SOFTENED_SHARE * alkalinity)


def soda_like(amounts: Floats) -> Flags:
    """Tell where alkalinity exceeds hardness and is no longer low."""
    hardness, alkalinity = titrations(amounts)
    return np.asarray((alkalinity > SODA_SHARE * hardness) & (alkalinity > SODA_LEAST))


def titrations(amounts: Floats) -> tuple[Floats, Floats]:
    """Hardness and alkalinity, from their ions where not titrated."""
    names = ("total_hardness", "alkalinity", "calcium", "magnesium", "bicarbonate")
    read = {name: amounts[ROW[name]] for name in names}
    ions = CACO3_PER_CALCIUM * read["calcium"] + CACO3_PER_MAGNESIUM * read["magnesium"]
    hardness = np.where(np.isnan(read["total_hardness"]), ions, read["total_hardness"])
    forms = read["bicarbonate"] / HCO3_PER_CACO3
    return hardness, np.where(np.isnan(read["alkalinity"]), forms, read["alkalinity"])


def _temperature() -> list[Candidate]:
    row = ROW["temperature"]

    def celsius(record: Record) -> dict[int, Floats]:
        return {row: (record.amounts[row] - 32.0) / 1.8}

    return [Candidate("wrong-unit", "temperature", "", "°F", celsius, row=row)]


def _unnamed(name: str, row: int) -> list[Candidate]:
    """Lay an unnamed mistake on one reading over every order of size, finely enough to be smooth."""
    weights = np.exp(-0.5 * (np.array(STEPS) / _STEP_WIDTH) ** 2)
    return [
        Candidate(
            "none-of-these",
            name,
            "",
            "",
            _times(row, float(np.exp(step))),
            ((row, STEP_SPREAD),),
            weight=float(weight),
            row=row,
        )
        for step, weight in zip(STEPS, weights, strict=True)
    ]


def _unread() -> list[Candidate]:
    """Give an ion nobody measured: so many meq/L of it, finely enough to be a smooth distribution."""

    def holds(row: int, meq: float) -> Change:
        return lambda record: {row: np.full(len(record), meq)}

    return [
        Candidate("missing-ion", "", "", side, holds(row, meq), ((row, 0.3 * meq),), where=_charged, row=row)
        for side in ("cation", "anion")
        for row in (ROW[f"unread {side}"],)
        for meq in UNREAD_STEPS
    ]


def _charged(record: Record) -> Flags:
    """Tell where an ion that was not read would show: in the balance, or in the conductivity of one closed side."""
    cations, anions, nearly = relations.sides(record.amounts)
    conductivity = ~np.isnan(record.amounts[ROW["conductivity"]])
    return np.asarray((cations & anions) | nearly | (conductivity & (cations | anions)))


def _of_reading(name: str, row: int) -> list[Candidate]:
    """Every mistake of one reading."""
    found: list[Candidate] = []
    mg = {"µg/L": 0.001, "g/L": 1000.0}
    if name in ("total_hardness", "calcium_hardness"):
        found += _units(name, HARDNESS_UNITS, row, _UNIT_SHARES) + _read_as(name, HARDNESS_UNITS, row)
    elif name == "alkalinity":
        found += _units(name, ALKALINITY_UNITS, row, _UNIT_SHARES) + _read_as(name, ALKALINITY_UNITS, row)
    elif name == "conductivity":
        found += _units(name, CONDUCTIVITY_UNITS, row, {}) + _read_as(name, CONDUCTIVITY_UNITS, row)
    elif name in _IONS or name == "bicarbonate":
        each = MOLAR_MASS[name] / abs(CHARGE[name])
        molar = {"mmol/L": MOLAR_MASS[name], "meq/L": each} if abs(CHARGE[name]) > 1 else {"mmol/L": each}
        found += _units(name, {**molar, **mg}, row, {"g/L": 0.3})
    elif name == "tds":
        found += _units(name, {"g/L": 1000.0}, row, {})
    elif name in METALS:
        found += _units(name, {"µg/L": 0.001}, row, {})
    found += _bases(name, row) + _tens(name, row) + _transposed(name, row)
    if name in ("total_hardness", "calcium_hardness", "alkalinity"):
        found += _kit(name, row)
    return found


@cache
def catalogue() -> tuple[Candidate, ...]:
    """Give every candidate, the record without a mistake first.

    Returns
    -------
    Candidates; the priors of one mistake and analyte are shared out by their weights.
    """
    found = [Candidate("no-mistake")]
    for name in (*_SCALED, *METALS):
        found += _of_reading(name, ROW[name])
    for name in SECOND:
        found += _of_reading(name, ROW[f"second {name}"])
    found += _tens("ph", ROW["ph"]) + _temperature() + _swaps() + _meters() + _states() + _unread() + [_habit()]
    found += [
        Candidate("instrument-fault", name, "", "", None, ((ROW[name], 2.0),), seen=True, row=ROW[name])
        for name in ("conductivity", "ph", "tds")
    ]
    found.append(Candidate("copied-reading", "", "", "an earlier record again", None, seen=True))
    for name in _SCALED:
        found += _unnamed(name, ROW[name])
    found.append(Candidate("none-of-these", "ph", loosened=((ROW["ph"], 1.5),), row=ROW["ph"]))
    for name in SECOND:
        found += _unnamed(name, ROW[f"second {name}"])
    everything = tuple(
        (row, 0.7) for name, row in ROW.items() if name in ANALYTES and name not in ("temperature", "ph")
    )
    found.append(Candidate("several-mistakes", loosened=everything))
    return tuple(found)


@cache
def every(fact: str) -> npt.NDArray[Any]:
    """Give one attribute of every candidate, in the order of the catalogue."""
    return np.array([getattr(one, fact) for one in catalogue()])
