"""Make the benchmark files: a long and a wide table of plausible waters with mixed units and odd cells.

    python tests/benchmarks/make_files.py FOLDER [READINGS]

Composition ranges: major ions of European bottled and tap waters as listed in common hydrochemistry
handbooks (from memory); the numbers only have to be of the right size, nothing is proved with them.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import csv

# analyte name, units that occur, factor from canonical to each unit
ANALYTES: Final = {
    "pH": {"": 1.0},
    "Temperature": {"°C": 1.0},
    "Conductivity": {"µS/cm": 1.0, "mS/m": 0.1},
    "Total hardness": {"mg/l CaCO3": 1.0, "°dH": 1 / 17.848, "mmol/l": 1 / 100.09},
    "Alkalinity": {"mg/l CaCO3": 1.0, "mmol/l": 1 / 50.043},
    "Calcium": {"mg/l": 1.0},
    "Magnesium": {"mg/l": 1.0},
    "Sodium": {"mg/l": 1.0},
    "Potassium": {"mg/l": 1.0},
    "Chloride": {"mg/l": 1.0},
    "Sulfate": {"mg/l": 1.0},
    "Nitrate": {"mg/l as NO3": 1.0, "mg/l as N": 1 / 4.4268},
    "Silica": {"mg/l as SiO2": 1.0},
    "Iron": {"µg/l": 1000.0},
}
# Limiting conductivity of one equivalent [S cm2/mol at 25 °C], charge, mg in a milliequivalent [CRC97, IUPAC2021].
LIMITING: Final = {
    "Calcium": (59.47, 2, 20.039), "Magnesium": (53.0, 2, 12.1525), "Sodium": (50.08, 1, 22.99),
    "Potassium": (73.48, 1, 39.098), "Chloride": (76.31, 1, 35.453), "Sulfate": (80.0, 2, 48.031),
    "Nitrate": (71.42, 1, 62.005), "Alkalinity": (44.5, 1, 50.043),
}  # fmt: skip
SITES: Final = 400
ODD: Final = ("<0.5", "n.d.", "abc", "12-14", "> 200", "~7", "", "1e400", "14 mg/l", "-")


def conductivity(drawn: dict[str, np.ndarray]) -> np.ndarray:
    """Give the conductivity of ions [µS/cm at 25 °C], nothing of it from the code under test.

    The limiting conductivities times the square of the activity coefficient of a monovalent ion, by Davies' equation,
    which is a published rule for natural waters [APHA2510]: within a few per cent of PHREEQC for bicarbonate waters.
    """
    strength = sum(drawn[name] / weight * charge for name, (_, charge, weight) in LIMITING.items()) / 2000.0
    root = np.sqrt(strength)
    activity = 10.0 ** (-0.5 * (root / (1.0 + root) - 0.3 * strength))
    return sum(limiting * drawn[name] / weight for name, (limiting, _, weight) in LIMITING.items()) * activity**2


def waters(count: int, seed: int = 20260101) -> dict[str, np.ndarray]:
    """Draw waters whose hardness, balance and conductivity hang together."""
    draw = np.random.default_rng(seed)
    calcium = draw.uniform(5, 140, count)
    magnesium = calcium * draw.uniform(0.05, 0.35, count)
    sodium, potassium = draw.uniform(3, 60, count), draw.uniform(0.5, 6, count)
    chloride, sulfate = draw.uniform(3, 60, count), draw.uniform(5, 90, count)
    nitrate, silica = draw.uniform(0.5, 40, count), draw.uniform(3, 25, count)
    cations = calcium / 20.039 + magnesium / 12.1525 + sodium / 22.99 + potassium / 39.098
    anions = chloride / 35.453 + sulfate / 48.031 + nitrate / 62.005
    alkalinity = np.maximum(cations - anions, 0.2) * 50.043
    drawn = {
        "pH": draw.uniform(6.8, 8.2, count),
        "Temperature": draw.uniform(6, 20, count),
        "Conductivity": np.zeros(count),
        "Total hardness": 2.4973 * calcium + 4.1180 * magnesium,
        "Alkalinity": alkalinity,
        "Calcium": calcium,
        "Magnesium": magnesium,
        "Sodium": sodium,
        "Potassium": potassium,
        "Chloride": chloride,
        "Sulfate": sulfate,
        "Nitrate": nitrate,
        "Silica": silica,
        "Iron": draw.uniform(0.005, 0.1, count),
    }
    return {**drawn, "Conductivity": conductivity(drawn)}


def long_table(readings: int, odd_share: float = 0.05) -> pa.Table:
    """Lay waters out with one row per reading, units mixed by row, a share of odd cells."""
    count = max(readings // len(ANALYTES), 1)
    drawn = waters(count)
    draw = np.random.default_rng(7)
    columns: dict[str, list[np.ndarray]] = {"value": [], "unit": []}
    for name, units in ANALYTES.items():
        chosen = draw.integers(0, len(units), count)
        factor = np.array(list(units.values()))[chosen]
        columns["value"].append(np.round(drawn[name] * factor, 3).astype("str").astype(object))
        columns["unit"].append(np.array(list(units), dtype=object)[chosen])
    value = np.stack(columns["value"], axis=1).ravel()
    odd = draw.random(len(value)) < odd_share
    value[odd] = np.array(ODD, dtype=object)[draw.integers(0, len(ODD), int(odd.sum()))]
    sample = np.repeat(np.arange(count), len(ANALYTES))
    visit = 30 * (np.arange(count) // SITES) + np.arange(count) % 28  # a site is visited once a month
    day = (pd.Timestamp("2010-01-01") + pd.to_timedelta(visit, unit="D")).strftime("%Y-%m-%d")
    return pa.table(
        {
            "Sample": pa.array([f"S{number:06d}" for number in range(count)]).take(pa.array(sample)),
            "Client": pa.array([f"client {number % 40}" for number in range(count)]).take(pa.array(sample)),
            "Site": pa.array([f"site {number % SITES}" for number in range(count)]).take(pa.array(sample)),
            "Date": pa.array(day).take(pa.array(sample)),
            "Parameter": pa.array(np.tile(np.array(list(ANALYTES), dtype=object), count)),
            "Result": pa.array(value),
            "Unit": pa.array(np.stack(columns["unit"], axis=1).ravel()),
        }
    )


def wide_table(samples: int) -> pa.Table:
    """Lay waters out with one row per sample, the unit in each heading."""
    drawn = waters(samples)
    units = {name: next(iter(units)) for name, units in ANALYTES.items()}
    factor = {name: next(iter(units.values())) for name, units in ANALYTES.items()}
    about = {
        "Sample": [f"S{number:06d}" for number in range(samples)],
        "Client": [f"client {number % 40}" for number in range(samples)],
        "Site": [f"site {number % SITES}" for number in range(samples)],
    }
    numbers = {
        f"{name} [{units[name]}]" if units[name] else name: np.round(values * factor[name], 3)
        for name, values in drawn.items()
    }
    return pa.table({**about, **numbers})


def main() -> None:
    """Write long.csv, wide.csv and bad.csv (every result unreadable) into a folder."""
    folder, readings = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000
    folder.mkdir(parents=True, exist_ok=True)
    table = long_table(readings)
    plain = csv.WriteOptions(quoting_style="none")
    csv.write_csv(table, folder / "long.csv", plain)
    bad = table.set_column(5, "Result", pa.array([f"x{number}" for number in range(len(table))]))
    csv.write_csv(bad, folder / "bad.csv", plain)
    csv.write_csv(wide_table(readings // len(ANALYTES)), folder / "wide.csv", plain)


if __name__ == "__main__":
    main()
