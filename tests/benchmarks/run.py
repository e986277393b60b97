"""Measure the main job beside DuckDB's own CSV import and a plain row-wise script, in one run.

    python tests/benchmarks/run.py FOLDER [READINGS] [ROUNDS]

Whole processes, alternating, best of the rounds by the clock; ratios hold, seconds do not. FOLDER gets the
files of ``make_files.py`` and everything that is written.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).parent
ROW_WISE_READINGS: Final = 10_000
BARE: Final = """
import duckdb, sys
connection = duckdb.connect(sys.argv[2])
connection.execute("CREATE TABLE readings AS SELECT * FROM read_csv(?)", [sys.argv[1]])
connection.close()
"""
ROW_WISE: Final = """
import sys
import pandas as pd, pint
registry = pint.UnitRegistry()
frame = pd.read_csv(sys.argv[1], nrows=int(sys.argv[2]))
units = {"µS/cm": "microsiemens/cm", "mS/m": "millisiemens/m", "°C": "degC", "µg/l": "microgram/liter"}
def convert(row):
    try:
        number = float(str(row["Result"]).replace(",", ".").lstrip("<>~ "))
    except ValueError:
        return None
    text = str(row["Unit"])
    if text == "°dH":
        return number * 17.848
    if text in ("nan", "°C"):
        return number
    unit = units.get(text, "mg/liter" if text.startswith("mg") else "mmol/liter")
    target = "microsiemens/cm" if "siemens" in unit else ("mmol/liter" if "mmol" in unit else "mg/liter")
    return registry.Quantity(number, unit).to(target).magnitude
frame["canonical"] = frame.apply(convert, axis=1)
frame.pivot_table(index="Sample", columns="Parameter", values="canonical")
"""


@dataclass(frozen=True)
class Cost:
    """What a process took: CPU time of all its threads [s], wall time [s], peak memory [MiB]."""

    cpu_s: float
    wall_s: float
    peak_mib: float


def measure(command: list[str]) -> Cost:
    """Run a process to its end and read its cost from the kernel."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)  # noqa: S603 - our own
    started = os.times().elapsed
    _, status, usage = os.wait4(process.pid, 0)
    wall = os.times().elapsed - started
    if os.waitstatus_to_exitcode(status) > 1:
        message = process.stderr.read().decode() if process.stderr else ""
        raise RuntimeError(f"{' '.join(command[:4])} failed: {message}")
    return Cost(usage.ru_utime + usage.ru_stime, wall, usage.ru_maxrss / 1024)


def intake(path: Path, folder: Path) -> Cost:
    """Measure the main job on one file, into an empty folder."""
    shutil.rmtree(folder, ignore_errors=True)
    return measure([sys.executable, "-m", "pipeline.cli", "intake", str(path), "--out", str(folder), "--json"])


def bare(path: Path, folder: Path) -> Cost:
    """Measure DuckDB's own import of the same file to disk."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    return measure([sys.executable, "-c", BARE, str(path), str(folder / "bare.duckdb")])


def best(costs: list[Cost]) -> Cost:
    """Take the cheapest round."""
    return min(costs, key=lambda cost: cost.wall_s)


def row(name: str, cost: Cost, base: Cost) -> str:
    """Format one line of the table."""
    ratio = cost.wall_s / base.wall_s
    return f"| {name} | {cost.wall_s:.2f} | {cost.cpu_s:.2f} | {cost.peak_mib:.0f} | {ratio:.1f} |"


def main() -> None:
    """Print the table."""
    folder = Path(sys.argv[1])
    readings, rounds = (int(sys.argv[k]) if len(sys.argv) > k else d for k, d in ((2, 1_000_000), (3, 3)))
    subprocess.run([sys.executable, str(HERE / "make_files.py"), str(folder), str(readings)], check=True)  # noqa: S603
    small = folder / "small"
    subprocess.run([sys.executable, str(HERE / "make_files.py"), str(small), str(readings // 10)], check=True)  # noqa: S603
    jobs = {
        "DuckDB read_csv to disk, long": lambda: bare(folder / "long.csv", folder / "bare"),
        "intake, long": lambda: intake(folder / "long.csv", folder / "out"),
        "intake, long, every result bad": lambda: intake(folder / "bad.csv", folder / "out"),
        "intake, wide, same samples": lambda: intake(folder / "wide.csv", folder / "out"),
        "intake, long, a tenth": lambda: intake(small / "long.csv", folder / "out"),
    }
    costs: dict[str, list[Cost]] = {name: [] for name in jobs}
    for _ in range(rounds):
        for name, job in jobs.items():
            costs[name].append(job())
    plain = measure([sys.executable, "-c", ROW_WISE, str(folder / "long.csv"), str(ROW_WISE_READINGS)])
    base = best(costs["DuckDB read_csv to disk, long"])
    print(f"{readings} readings, best of {rounds} rounds, {os.cpu_count()} cores")  # noqa: T201
    print("| job | wall s | CPU s | peak MiB | times DuckDB |\n| --- | --- | --- | --- | --- |")  # noqa: T201
    for name, several in costs.items():
        print(row(name, best(several), base))  # noqa: T201
    print(row(f"pandas and pint row by row, {ROW_WISE_READINGS} readings", plain, base))  # noqa: T201


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
