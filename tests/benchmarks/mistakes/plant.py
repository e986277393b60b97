"""One mistake per record, planted in the number as it was written down.

Each planting says what a person did, not how it might be found: it takes the water's numbers as they stood and
writes what the mistake would have written. The code under test has its own catalogue; nothing is shared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt
    from noise import Received

    from pipeline.arrays import Places

    Act = Callable[["Received", Places, np.random.Generator], npt.NDArray[np.bool_]]

HCO3_PER_CACO3: Final = 2 * 61.0168 / 100.0869  # [IUPAC2021]


@dataclass(frozen=True)
class Planting:
    """A mistake as it is planted: what it is called, where, in which kinds of record and kinds of site."""

    mistake: str
    analyte: str
    detail: str
    act: Act
    kinds: tuple[str, ...] = ("laboratory", "kit", "mixed")
    other: str = ""
    sites: tuple[str, ...] = ("single", "history", "pair")
    two: bool = False  # mistakes, the second one in ``other``

    @property
    def name(self) -> str:
        """Name the planting in tables."""
        return " ".join(part for part in (self.mistake, self.analyte, self.other, self.detail) if part)


def _cells(received: Received, at: Places, code: str) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    number = received.number[code].to_numpy()[at].astype("float64")
    return number, ~np.isnan(number)


def _put(received: Received, at: Places, code: str, number: npt.NDArray[np.float64], ok: npt.NDArray[np.bool_]) -> None:
    column = received.number.columns.get_loc(code)
    received.number.iloc[at[ok], column] = number[ok]


def _tidy(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    size = np.power(10.0, 2 - np.floor(np.log10(np.maximum(np.abs(values), 1e-9))))
    return np.asarray(np.round(values * size) / size)


def unit(code: str, meant: float, said_unit: str, said: float, *, drops: bool) -> Act:
    """Write a number in one unit under the name of another; a kit of one degree called a kit of another."""

    def act(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
        values = received.values()[code].to_numpy()[at]
        counted = received.degree[code].notna().to_numpy()[at]
        ok = ~np.isnan(values) & (counted == drops) & (values > 3 * meant)
        column = received.number.columns.get_loc(code)
        if drops:
            per_drop = meant * (received.nominal[code] / received.used[code]).to_numpy()[at]
            _put(received, at, code, np.maximum(np.ceil(values / per_drop - 0.5), 1.0), ok)
            received.degree.iloc[at[ok], column] = said
        else:
            _put(received, at, code, _tidy(values / meant), ok)
            received.factor.iloc[at[ok], column] = said
            received.unit.iloc[at[ok], column] = said_unit
        return ok

    return act


def scaled(code: str, factor: float) -> Act:
    """Write a number that is larger or smaller by a factor: another chemical form, a shifted decimal mark."""

    def act(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
        number, ok = _cells(received, at, code)
        ok &= received.degree[code].isna().to_numpy()[at]
        _put(received, at, code, _tidy(number * factor), ok)
        return ok

    return act


def transposed(code: str) -> Act:
    """Exchange the first two digits that differ."""

    def swap(text: str) -> str:
        for place in range(min(len(text) - 1, 2)):
            left, right = text[place], text[place + 1]
            if left != right and left.isdigit() and right.isdigit() and not (place == 0 and right == "0"):
                return text[:place] + right + left + text[place + 2 :]
        return text

    def act(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
        number, ok = _cells(received, at, code)
        swapped = np.array([float(swap(f"{x:g}")) if not np.isnan(x) else np.nan for x in number])
        ok &= (swapped != number) & (swapped > 0)
        _put(received, at, code, swapped, ok)
        return ok

    return act


def swapped(first: str, second: str) -> Act:
    """Write two numbers of the record into one another's column; a kit's counts change their bottles."""

    def act(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
        _, here = _cells(received, at, first)
        _, there = _cells(received, at, second)
        same_form = received.degree[first].isna().to_numpy()[at] == received.degree[second].isna().to_numpy()[at]
        ok = here & there & same_form
        for name in ("number", "degree", "nominal", "used", "unit", "factor"):
            frame = getattr(received, name)
            a, b = frame.columns.get_loc(first), frame.columns.get_loc(second)
            held = frame.iloc[at[ok], a].to_numpy().copy()
            frame.iloc[at[ok], a] = frame.iloc[at[ok], b].to_numpy()
            frame.iloc[at[ok], b] = held
        return ok

    return act


def bottles(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Exchange the labels of the raw and the treated sample of one visit."""
    other = received.about["partner"].to_numpy()[at]
    ok = other >= 0
    for name in ("number", "degree", "nominal", "used", "unit", "factor", "method"):
        frame = getattr(received, name)
        held = frame.iloc[at[ok]].to_numpy().copy()
        frame.iloc[at[ok]] = frame.iloc[other[ok]].to_numpy()
        frame.iloc[other[ok]] = held
    return ok


def volume(code: str, really: float) -> Act:
    """Use another volume of water than the one written down (10 mL): the count changes, the sheet does not."""

    def act(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
        number, ok = _cells(received, at, code)
        used = received.used[code].to_numpy()[at]
        ok &= received.degree[code].notna().to_numpy()[at] & (used == 10.0) & (number >= 4)
        count = np.maximum(np.ceil(number * really / 10.0 - 0.5), 1.0)
        _put(received, at, code, count, ok)
        return ok

    return act


def miscount(code: str, by: int) -> Act:
    """Count some drops too many or too few."""

    def act(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
        number, ok = _cells(received, at, code)
        ok &= received.degree[code].notna().to_numpy()[at] & (number + by >= 1)
        _put(received, at, code, number + by, ok)
        return ok

    return act


def uncompensated(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Read a meter that does not compensate: about 2 % less per degree below 25 °C [CP]."""
    number, ok = _cells(received, at, "conductivity")
    cold = received.number["temperature"].to_numpy()[at]
    ok &= cold < 20.0
    shown = number * (1.0 + 0.02 * (cold - 25.0))
    _put(received, at, "conductivity", np.round(shown, 0), ok)
    solids, both = _cells(received, at, "tds")
    both &= ok & (received.method["tds"].to_numpy()[at] == "meter")
    _put(received, at, "tds", np.round(solids * shown / number), both)
    return ok


def solids_scale(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Write the solids of a salt-scale pen (0.5) beside those of a natural-water meter (0.67)."""
    number, ok = _cells(received, at, "tds")
    meter = received.method["tds"].to_numpy()[at] == "meter"
    natural = number > 0.6 * received.number["conductivity"].to_numpy()[at]
    ok &= meter & natural
    _put(received, at, "tds", np.round(number * 0.50 / 0.67), ok)
    return ok


def copied(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Copy the row of the visit before."""
    before = received.about["previous"].to_numpy()[at]
    ok = before >= 0
    received.number.iloc[at[ok]] = received.number.iloc[before[ok]].to_numpy()
    for name in ("degree", "nominal", "used", "unit", "factor"):
        frame = getattr(received, name)
        frame.iloc[at[ok]] = frame.iloc[before[ok]].to_numpy()
    return ok


def dropped(code: str) -> Act:
    """Leave out one ion the laboratory did not measure."""

    def act(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
        number, ok = _cells(received, at, code)
        _put(received, at, code, number * np.nan, ok)
        return ok

    return act


def stuck(code: str, value: float) -> Act:
    """Write what a saturated or dead instrument shows."""

    def act(received: Received, at: Places, _: np.random.Generator) -> npt.NDArray[np.bool_]:
        _, ok = _cells(received, at, code)
        _put(received, at, code, np.full(len(at), value), ok)
        return ok

    return act


def together(*acts: Act) -> Act:
    """Make several mistakes in the records in which each can be made."""

    def act(received: Received, at: Places, random: np.random.Generator) -> npt.NDArray[np.bool_]:
        made = np.ones(len(at), dtype="bool")
        for one in acts:
            made[made] = one(received, at[made], random)
        return made

    return act


REPORT, FIELD, ANY = ("laboratory",), ("kit", "mixed"), ("laboratory", "kit", "mixed")
FULL = ("laboratory", "mixed")
PLANTINGS: Final[tuple[Planting, ...]] = (
    Planting("wrong-unit", "total_hardness", "°f", unit("total_hardness", 10.0, "°dH", 17.848, drops=False), REPORT),
    Planting("wrong-unit", "total_hardness", "°dH", unit("total_hardness", 17.848, "°f", 10.0, drops=False), REPORT),
    Planting("wrong-unit", "total_hardness", "°f", unit("total_hardness", 10.0, "", 17.848, drops=True), FIELD),
    Planting("wrong-unit", "total_hardness", "°dH", unit("total_hardness", 17.848, "", 10.0, drops=True), FIELD),
    Planting("wrong-unit", "total_hardness", "°dH", unit("total_hardness", 17.848, "mg/L", 1.0, drops=False), REPORT),
    Planting(
        "wrong-unit", "total_hardness", "mmol/L", unit("total_hardness", 100.0869, "°dH", 17.848, drops=False), REPORT
    ),
    Planting("wrong-unit", "alkalinity", "°f", unit("alkalinity", 10.0, "", 17.848, drops=True), FIELD),
    Planting("wrong-unit", "alkalinity", "°dH", unit("alkalinity", 17.848, "", 10.0, drops=True), FIELD),
    Planting("wrong-unit", "alkalinity", "mmol/L", unit("alkalinity", 50.0435, "°dH", 17.848, drops=False), REPORT),
    Planting("wrong-unit", "conductivity", "mS/cm", scaled("conductivity", 1e-3), ANY),
    Planting("wrong-unit", "conductivity", "mS/m", scaled("conductivity", 0.1), ANY),
    Planting("wrong-basis", "bicarbonate", "as CaCO3", scaled("bicarbonate", 1 / HCO3_PER_CACO3), REPORT),
    Planting("wrong-basis", "alkalinity", "as HCO3", scaled("alkalinity", HCO3_PER_CACO3), REPORT),
    Planting("wrong-basis", "nitrate", "as N", scaled("nitrate", 14.0067 / 62.0049), FULL),
    Planting("wrong-basis", "sulfate", "as S", scaled("sulfate", 32.065 / 96.0626), FULL),
    Planting("wrong-basis", "calcium", "as CaCO3", scaled("calcium", 100.0869 / 40.078), FULL),
    Planting("wrong-basis", "total_hardness", "as CaO", scaled("total_hardness", 56.0774 / 100.0869), REPORT),
    Planting("factor-ten", "total_hardness", "÷ 10", scaled("total_hardness", 10.0), REPORT),
    Planting("factor-ten", "alkalinity", "× 10", scaled("alkalinity", 0.1), REPORT),
    Planting("factor-ten", "conductivity", "÷ 10", scaled("conductivity", 10.0), ANY),
    Planting("factor-ten", "calcium", "÷ 10", scaled("calcium", 10.0), FULL),
    Planting("factor-ten", "sodium", "× 10", scaled("sodium", 0.1), FULL),
    Planting("factor-ten", "chloride", "÷ 10", scaled("chloride", 10.0), FULL),
    Planting("factor-ten", "sulfate", "× 10", scaled("sulfate", 0.1), FULL),
    Planting("factor-ten", "ph", "÷ 10", scaled("ph", 10.0), ANY),
    Planting("digits-transposed", "conductivity", "", transposed("conductivity"), ANY),
    Planting("digits-transposed", "calcium", "", transposed("calcium"), FULL),
    Planting("digits-transposed", "bicarbonate", "", transposed("bicarbonate"), REPORT),
    Planting("digits-transposed", "chloride", "", transposed("chloride"), FULL),
    Planting("digits-transposed", "sodium", "", transposed("sodium"), FULL),
    Planting("swapped-analytes", "total_hardness", "", swapped("total_hardness", "alkalinity"), ANY, "alkalinity"),
    Planting("swapped-analytes", "conductivity", "", swapped("conductivity", "tds"), ANY, "tds"),
    Planting("swapped-analytes", "chloride", "", swapped("chloride", "sulfate"), FULL, "sulfate"),
    Planting("swapped-analytes", "sodium", "", swapped("sodium", "calcium"), FULL, "calcium"),
    Planting("swapped-analytes", "calcium", "", swapped("calcium", "magnesium"), FULL, "magnesium"),
    Planting("swapped-analytes", "sodium", "", swapped("sodium", "potassium"), FULL, "potassium"),
    Planting("swapped-samples", "", "", bottles, ANY, sites=("pair",)),
    Planting("volume-not-applied", "total_hardness", "× 2", volume("total_hardness", 5.0), FIELD),
    Planting("volume-not-applied", "alkalinity", "× 2", volume("alkalinity", 5.0), FIELD),
    Planting("volume-not-applied", "total_hardness", "÷ 2", volume("total_hardness", 20.0), FIELD),
    Planting("miscount", "alkalinity", "+2 drops", miscount("alkalinity", 2), FIELD),
    Planting("miscount", "total_hardness", "−2 drops", miscount("total_hardness", -2), FIELD),
    Planting("wrong-tds-scale", "tds", "", solids_scale, FIELD),
    Planting("not-temperature-compensated", "conductivity", "", uncompensated, ANY),
    Planting("copied-reading", "", "", copied, ANY, sites=("history",)),
    Planting("missing-ion", "sulfate", "", dropped("sulfate"), FULL),
    Planting("missing-ion", "sodium", "", dropped("sodium"), FULL),
    Planting("instrument-fault", "conductivity", "", stuck("conductivity", 1999.0), FIELD),
    Planting(
        "factor-ten",
        "calcium",
        "both ÷ 10",
        together(scaled("calcium", 10.0), scaled("chloride", 10.0)),
        FULL,
        "chloride",
        two=True,
    ),
    Planting(
        "factor-ten",
        "sodium",
        "× 10 and ÷ 10",
        together(scaled("sodium", 10.0), scaled("sulfate", 0.1)),
        FULL,
        "sulfate",
        two=True,
    ),
    Planting(
        "wrong-unit",
        "conductivity",
        "mS/cm beside a lost digit",
        together(scaled("conductivity", 1e-3), scaled("calcium", 10.0)),
        FULL,
        "calcium",
        two=True,
    ),
)
