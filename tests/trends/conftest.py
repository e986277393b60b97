"""A small country with a known truth, taken in by the command as a person's files are."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

YEARS = 10


def visits(draw: np.random.Generator, site: str, region: str, utility: str, first: int = 2015) -> pd.DataFrame:
    """Give quarterly visits on odd days, with a season and a weather of the region's own."""
    start = pd.to_datetime([f"{first + i // 4}-{3 * (i % 4) + 1:02d}-01" for i in range(4 * (2015 + YEARS - first))])
    days = start + pd.to_timedelta(draw.integers(0, 80, len(start)), unit="D")
    frame = pd.DataFrame({"client": "Trial", "site": site, "region": region, "utility": utility, "date": days})
    return frame.assign(year=days.year + (days.day_of_year - 1) / 365.25, stage="raw")


def water(draw: np.random.Generator, frame: pd.DataFrame, level: float, weather: np.ndarray) -> pd.DataFrame:
    """Give a calcium water whose ions, hardness and conductivity hang together."""
    year = frame["year"].to_numpy()
    shape = level * np.exp(0.08 * np.cos(2 * np.pi * year) + weather[(year - 2015).astype(int)])
    chloride = 20 * np.exp(draw.normal(0, 0.02, len(frame)))
    if frame["region"].iloc[0] == "North":
        chloride = chloride + 1.0 * (year - 2015)
    calcium = shape / 20.04
    shift = np.where((frame["utility"] == "Hill") & (year >= 2019.5), 1.4, 1.0)
    seasonal = np.where((frame["utility"] == "Lake") & (np.abs(year % 1 - 0.5) < 0.25), 0.7, 1.0)
    calcium = calcium * shift * seasonal
    noise = lambda: draw.normal(1, 0.012, len(frame))  # noqa: E731
    return frame.assign(**{
        "Calcium (mg/L)": 20.04 * calcium * noise(), "Chloride (mg/L)": chloride,
        "Sodium (mg/L)": chloride / 35.453 * 22.99,
        "Total hardness (mg/L as CaCO3)": 50.04 * calcium * noise(),
        "Alkalinity (mg/L as CaCO3)": 50.04 * calcium * noise(),
        "Conductivity (µS/cm)": (95 * calcium + 115 * chloride / 35.453) * noise(),
    })  # fmt: skip


def country(folder: Path) -> None:
    """Write the laboratory's list and the meter's list."""
    draw = np.random.default_rng(11)
    rows = []
    plan = [("North", "Spring", 6), ("South", "Hill", 5), ("East", "Lake", 4)]
    for region, utility, count in plan:
        weather = draw.normal(0, 0.02, YEARS + 1)
        for number in range(count):
            # Late in the south the hard sites come in, early the soft ones: whoever is sampled gets harder.
            first = 2018 if region == "East" and number > 1 else 2015
            level = 70 + 12 * number + (50 if first > 2015 else 0)
            rows.append(water(draw, visits(draw, f"{region}-{number}", region, utility, first), level, weather))
    lab = pd.concat(rows, ignore_index=True).drop(columns="year")
    lab = lab.round(dict.fromkeys(lab.columns[lab.dtypes == "float64"], 2))
    lab.insert(0, "sample", "L" + lab.index.astype(str))
    lab["method"] = "laboratory"
    nitrate = draw.lognormal(0.3, 0.5, len(lab))
    lab["Nitrate (mg/L as NO3)"] = np.where(nitrate < 1.5, "<1.5", np.round(nitrate, 2).astype(str))
    lab.to_csv(folder / "laboratory.csv", index=False)
    meter = lab.drop(columns=[name for name in lab if "mg/L" in name and "hardness" not in name]).copy()
    meter["sample"] = meter["sample"].str.replace("L", "M")
    meter["method"] = "meter"
    meter["instrument"] = np.where(meter.index % 2 == 0, "EC-1", "EC-2")
    meter["Conductivity (µS/cm)"] *= np.where(meter["instrument"] == "EC-2", 1.08, 1.0)
    meter.to_csv(folder / "meters.csv", index=False)


@pytest.fixture(scope="session")
def country_store(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    """Give the store of the country, to be read only."""

    def take_in(out: Path) -> None:
        files = out / "files"
        files.mkdir()
        country(files)
        done = CliRunner().invoke(main, ["intake", str(files), "--out", str(out)])
        assert done.exit_code in (0, 1), done.output

    return made_once("country", take_in) / "kettlestone.duckdb"


@pytest.fixture(scope="module")
def trend(country_store: Path) -> Callable[..., Result]:
    """Run the command on it."""
    return lambda *words: CliRunner().invoke(main, ["trend", *words, "--store", str(country_store)])


@pytest.fixture(scope="module")
def records(trend: Callable[..., Result]) -> Callable[[str], list[dict[str, Any]]]:
    """Give the records of a grouping, asked once."""
    known: dict[str, list[dict[str, Any]]] = {}

    def of(by: str) -> list[dict[str, Any]]:
        if by not in known:
            done = trend("--by", by, "--json")
            assert done.exit_code == 0, done.output
            known[by] = json.loads(done.stdout)
        return known[by]

    return of
