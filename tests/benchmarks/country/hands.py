"""Write the country's files as several people would: their languages, degrees, decimal signs, clocks and habits.

The plain hand writes English lists. With many hands four laboratories and four kinds of kit sheets write what their
countries write, regions are renamed, sites change their region, a few people count drops of another degree than they
write, and a few sites wrote a year of hardness in another unit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from pathlib import Path

FIRST: Final = pd.Timestamp("2016-01-01")
GERMAN, FRENCH, GRAIN = 17.848, 10.0, 17.118  # mg/L as CaCO3 of a degree
RENAMED: Final = " and Coast"
_LAB_IONS: Final = ("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate", "nitrate", "silica")


@dataclass(frozen=True)
class Hand:
    """How one house writes: its words, the worth of its degree, its decimal sign, its dates."""

    words: dict[str, str]
    degree: float
    comma: bool
    date: str
    separator: str
    encoding: str = "utf-8"
    stages: dict[str, str] = field(default_factory=lambda: {"raw": "raw", "treated": "treated"})


_ENGLISH: Final = {
    "sample": "sample", "client": "client", "site": "site", "region": "region", "utility": "utility", "date": "date",
    "stage": "stage", "operator": "operator", "instrument": "instrument", "method": "method", "limit": "<",
}  # fmt: skip
LABORATORIES: Final = (
    Hand(_ENGLISH | {"total_hardness": "Total hardness (mg/L as CaCO3)", "alkalinity": "Alkalinity (mg/L as CaCO3)",
                     "conductivity": "Conductivity (µS/cm)", "ph": "pH", "calcium": "Calcium (mg/L)",
                     "magnesium": "Magnesium (mg/L)", "sodium": "Sodium (mg/L)", "potassium": "Potassium (mg/L)",
                     "chloride": "Chloride (mg/L)", "sulfate": "Sulfate (mg/L)", "nitrate": "Nitrate (mg/L as NO3)",
                     "silica": "Silica (mg/L as SiO2)"}, 1.0, False, "%Y-%m-%dT%H:%M:%S+02:00", ","),
    Hand({"sample": "Probe", "client": "Kunde", "site": "Standort", "region": "Region", "utility": "Versorger",
          "date": "Entnahmedatum", "stage": "vor/nach", "method": "Methode", "total_hardness": "Gesamthärte (°dH)",
          "alkalinity": "Säurekapazität bis pH 4,3 (mmol/l)", "conductivity": "Leitfähigkeit 25 °C (µS/cm)",
          "ph": "pH-Wert", "calcium": "Calcium (mg/l)", "magnesium": "Magnesium (mg/l)", "sodium": "Natrium (mg/l)",
          "potassium": "Kalium (mg/l)", "chloride": "Chlorid (mg/l)", "sulfate": "Sulfat (mg/l)",
          "nitrate": "Nitrat (mg/l)", "silica": "Kieselsäure (mg/l SiO2)"}, GERMAN, True, "%d.%m.%Y %H:%M", ";",
         "cp1252", {"raw": "Roh", "treated": "nach Filter"}),
    Hand({"sample": "Échantillon", "client": "Nom du client", "site": "Lieu", "region": "Région",
          "utility": "Distributeur", "date": "Date de prélèvement", "stage": "avant/après", "method": "Méthode",
          "total_hardness": "TH (°f)", "alkalinity": "TAC (°f)", "conductivity": "Conductivité à 25 °C (µS/cm)",
          "ph": "pH", "calcium": "Calcium (mg/l)", "magnesium": "Magnésium (mg/l)", "sodium": "Sodium (mg/l)",
          "potassium": "Potassium (mg/l)", "chloride": "Chlorures (mg/l)", "sulfate": "Sulfates (mg/l)",
          "nitrate": "Nitrates (mg/l NO3)", "silica": "Silice (mg/l SiO2)"}, FRENCH, True, "%d/%m/%Y", "\t", "utf-16",
         {"raw": "avant filtre", "treated": "après filtre"}),
    Hand({"sample": "Muestra", "client": "Cliente", "site": "Lugar", "region": "Región", "utility": "Compañía de agua",
          "date": "Fecha de muestreo", "stage": "antes/después", "method": "Método",
          "total_hardness": "Dureza total (mg/l CaCO3)", "alkalinity": "Alcalinidad total (mg/l CaCO3)",
          "conductivity": "Conductividad a 25 °C (mS/cm)", "ph": "pH", "calcium": "Calcio (mg/l)",
          "magnesium": "Magnesio (mg/l)", "sodium": "Sodio (mg/l)", "potassium": "Potasio (mg/l)",
          "chloride": "Cloruros (mg/l)", "sulfate": "Sulfatos (mg/l)", "nitrate": "Nitratos (mg/l)",
          "silica": "Sílice (mg/l SiO2)"}, 1.0, True, "%d/%m/%Y", ";", "utf-8-sig",
         {"raw": "antes del filtro", "treated": "después del filtro"}),
)  # fmt: skip
KITS: Final = (
    Hand(_ENGLISH | {"total_hardness": "hardness drops", "alkalinity": "alkalinity drops",
                     "conductivity": "conductivity µS/cm", "degree": "degree per drop", "worth": "1 gpg",
                     "nominal": "nominal mL", "used": "used mL"}, GRAIN, False, "%m/%d/%Y %I:%M %p", ","),
    Hand({"sample": "Probe", "client": "Kunde", "site": "Standort", "region": "Region", "utility": "Versorger",
          "date": "Datum", "stage": "vor/nach", "operator": "Techniker", "instrument": "Messgerät",
          "total_hardness": "GH Tropfen", "alkalinity": "KH Tropfen", "conductivity": "Leitfähigkeit (µS/cm)",
          "degree": "°dH je Tropfen", "worth": "1", "nominal": "Nennvolumen (ml)", "used": "verwendete ml"},
         GERMAN, True, "%d.%m.%Y", ";", "cp1252", {"raw": "Roh", "treated": "nach Filter"}),
    Hand({"sample": "Échantillon", "client": "Nom du client", "site": "Lieu", "region": "Région",
          "utility": "Distributeur", "date": "Date de prélèvement", "stage": "avant/après", "operator": "Technicien",
          "instrument": "Appareil", "total_hardness": "TH gouttes", "alkalinity": "TAC gouttes",
          "conductivity": "Conductivité à 25 °C (mS/cm)", "degree": "°f par goutte", "worth": "1",
          "nominal": "volume nominal", "used": "ml utilisés"},
         FRENCH, True, "%d/%m/%Y", ";", "utf-8", {"raw": "avant filtre", "treated": "après filtre"}),
    Hand(_ENGLISH | {"total_hardness": "hardness drops", "alkalinity": "alkalinity drops",
                     "conductivity": "conductivity µS/cm", "degree": "degree per drop", "worth": "1 °dH",
                     "nominal": "nominal mL", "used": "used mL"}, GERMAN, False, "%Y-%m-%d %H:%M", ","),
)  # fmt: skip


def unsettled(draw: np.random.Generator, made: dict[str, pd.DataFrame]) -> None:
    """Rename a region in twenty, let sites change their region, people use another degree, and sites another unit."""
    seen = made["visits"]
    regions, sites, people = int(seen["region"].max()) + 1, int(seen["site"].max()) + 1, len(made["people"])
    renamed = draw.random(regions) < max(1 / regions, 0.05)
    moved = np.where(draw.random(sites) < 0.02, draw.integers(0, regions, sites), -1)
    since = draw.uniform(3, 7, sites)
    late = (seen["time"] >= since[seen["site"]]) & (moved[seen["site"]] >= 0)
    name = np.where(late, moved[seen["site"]], seen["region"])
    seen["region name"] = [
        f"Region {number}" + (RENAMED if renamed[number] and time >= 5 else "")
        for number, time in zip(name, seen["time"], strict=True)
    ]
    made["people"]["degree off"] = np.where(
        (made["people"]["drops"] == 0) & (draw.random(people) < 1.5 / people), GERMAN / FRENCH, 1.0
    )
    begins = draw.uniform(2, 7, sites)
    wrong = (draw.random(sites) < 0.01)[seen["site"]]
    inside = (seen["time"] >= begins[seen["site"]]) & (seen["time"] < begins[seen["site"]] + 1)
    seen["unit off"] = np.where(wrong & inside & seen["laboratory"], FRENCH / GERMAN, 1.0)


def write_many(draw: np.random.Generator, made: dict[str, pd.DataFrame], folder: Path) -> None:
    """Write a file for every laboratory and every kind of kit, and the treated samples of each laboratory."""
    seen, water = made["visits"], made["waters"]
    house = np.where(draw.random(len(seen)) < 0.85, seen["region"], draw.integers(0, 4, len(seen))) % 4
    for number, hand in enumerate(LABORATORIES):
        rows = np.flatnonzero(seen["laboratory"] & (house == number))
        table = _facts(seen, rows, hand)
        table[hand.words["method"]] = "laboratory"
        for name in ("ph", "conductivity", "total_hardness", "alkalinity", *_LAB_IONS):
            exact = water[name].to_numpy()[rows]
            spread = 0.05 if name == "ph" else 0.02 * exact
            value = exact + draw.normal(0, 1, len(rows)) * spread
            if name == "total_hardness":
                value = value * seen["unit off"].to_numpy()[rows]
            limit = _limit(name, number, seen["time"].to_numpy()[rows])
            table[hand.words[name]] = _written(_in_words(name, value, hand), limit, hand, 2 if name == "ph" else 4)
        table.to_csv(folder / f"laboratory_{number}.csv", index=False, sep=hand.separator, encoding=hand.encoding)
    for number, hand in enumerate(KITS):
        rows = np.flatnonzero(~seen["laboratory"] & (seen["person"] % 4 == number))
        _kit_sheet(draw, made, rows, hand).to_csv(
            folder / f"kit_{number}.csv", index=False, sep=hand.separator, encoding=hand.encoding
        )
    for number, hand in enumerate(LABORATORIES):
        _treated(made, house, number, hand).to_csv(
            folder / f"treated_{number}.csv", index=False, sep=hand.separator, encoding=hand.encoding
        )


def _facts(seen: pd.DataFrame, rows: np.ndarray, hand: Hand) -> pd.DataFrame:
    mine = seen.iloc[rows]
    when = FIRST + pd.to_timedelta(mine["time"] * 365.25, unit="D")
    return pd.DataFrame({
        hand.words["sample"]: "V" + mine.index.astype(str),
        hand.words["client"]: ("Client " + (mine["site"] % 97).astype(str)).to_numpy(),
        hand.words["site"]: ("S" + mine["site"].astype(str)).to_numpy(),
        hand.words["region"]: mine["region name"].to_numpy(),
        hand.words["utility"]: ("Utility " + mine["utility"].astype(str)).to_numpy(),
        hand.words["date"]: when.dt.strftime(hand.date).to_numpy(),
        hand.words["stage"]: hand.stages["raw"],
    })  # fmt: skip


def _limit(name: str, house: int, time: np.ndarray) -> np.ndarray:
    """Give the limits: two laboratories got better in the fifth year, one never states any."""
    if name not in {"nitrate", "sulfate", "chloride"} or house == 3:
        return np.zeros(len(time))
    return np.where((house == 1) & (time < 5), 10.0, np.where((house == 2) & (time >= 5), 1.0, 5.0))


def _in_words(name: str, value: np.ndarray, hand: Hand) -> np.ndarray:
    """Turn a value into the unit that the heading names."""
    heading = hand.words[name]
    if "mmol/l" in heading:
        return value / 50.043
    if "mS/cm" in heading:
        return value / 1000
    return value / hand.degree if name in {"total_hardness", "alkalinity"} else value


def _written(value: np.ndarray, limit: np.ndarray, hand: Hand, digits: int) -> list[str]:
    texts = np.where(
        value < limit, [f"<{each:.1f}" for each in limit], np.char.mod("%.2f" if digits == 2 else "%.4g", value)
    )
    return [text.replace(".", ",") if hand.comma else str(text) for text in texts.tolist()]


def _kit_sheet(draw: np.random.Generator, made: dict[str, pd.DataFrame], rows: np.ndarray, hand: Hand) -> pd.DataFrame:
    """Count drops of the hand's degree; meters read with their error, a few in another unit."""
    seen, water = made["visits"], made["waters"]
    table = _facts(seen, rows, hand)
    person, meter = seen["person"].to_numpy()[rows], seen["meter"].to_numpy()[rows]
    table[hand.words["operator"]] = [f"P{number}" for number in person]
    table[hand.words["instrument"]] = [f"M{number}" for number in meter]
    people = made["people"].iloc[person]
    for name in ("total_hardness", "alkalinity"):
        exact = water[name].to_numpy()[rows] / hand.degree * people["degree off"].to_numpy()
        count = np.ceil(exact * draw.normal(1, 0.015, len(rows))) + people["drops"].to_numpy()
        table[hand.words[name]] = np.maximum(count, 1).astype(int)
    table[hand.words["degree"]], table[hand.words["nominal"]] = hand.words["worth"], 10
    table[hand.words["used"]] = 10
    known, time = made["meters"].iloc[meter], seen["time"].to_numpy()[rows]
    factor = known["bias"].to_numpy() * np.where(time >= known["since"].to_numpy(), known["jump"].to_numpy(), 1.0)
    value = water["conductivity"].to_numpy()[rows] * factor * draw.normal(1, 0.02, len(rows))
    slip = np.where(draw.random(len(rows)) < 0.004, 0.001, 1.0)  # mS/cm typed as µS/cm
    table[hand.words["conductivity"]] = _written(
        _in_words("conductivity", value * slip, hand), np.zeros(len(rows)), hand, 4
    )
    return table


def _treated(made: dict[str, pd.DataFrame], house: np.ndarray, number: int, hand: Hand) -> pd.DataFrame:
    after = made["treated"]
    after = after[house[after["visit"]] == number]
    table = _facts(made["visits"], after["visit"].to_numpy(), hand)
    table[hand.words["sample"]] += "T"
    table[hand.words["stage"]] = hand.stages["treated"]
    for name in ("total_hardness", "alkalinity"):
        value = _in_words(name, after[name].to_numpy(), hand)
        table[hand.words[name]] = _written(value, np.zeros(len(value)), hand, 4)
    return table
