"""Time this solver and PHREEQC in turns, in one process on one core, and print the ratios.

Run from the project folder: ``python tests/benchmarks/bench_speciation.py [waters]``. Absolute figures
depend on the machine; the ratio of two figures taken in turns does not. PHREEQC gets the waters as one
script per turn, the fastest way it has; its share is smaller, because its rate does not depend on it.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # before numpy: one core for both

import statistics
import sys
import time
import tracemalloc
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import phreeqpython

from pipeline.chemistry.saturation import saturate

if TYPE_CHECKING:
    from collections.abc import Callable

TURNS, REFERENCE_WATERS = 3, 1500
INDEX_GOAL, POTENTIAL_GOAL, BYTES_GOAL = 20.0, 10.0, 1000.0
PUNCH = 'SELECTED_OUTPUT\n-reset false\nUSER_PUNCH\n10 PUNCH SI("Calcite"), TOT("Ca")\nEND\n'


def sample(count: int) -> pd.DataFrame:
    """Draw balanced waters of 5–95 °C from a fixed seed."""
    random = np.random.default_rng(1)
    names = ["calcium", "magnesium", "bicarbonate", "sulfate", "silica"]
    limits = np.log([(5, 200), (1, 60), (30, 450), (2, 300), (1, 40)])
    values = np.exp(random.uniform(limits[:, 0], limits[:, 1], (count, len(names))))
    waters = pd.DataFrame(values, columns=[f"{name}_mg_l" for name in names])
    excess = values[:, 0] / 20.039 + values[:, 1] / 12.1525 - values[:, 2] / 61.0168 - values[:, 3] / 48.0313
    waters["sodium_mg_l"] = 22.98977 * (0.5 + np.maximum(-excess, 0.0))
    waters["chloride_mg_l"] = 35.453 * (0.5 + np.maximum(excess, 0.0))
    return waters.assign(ph=random.uniform(6.5, 8.8, count), temperature_c=random.uniform(5.0, 95.0, count))


def script(waters: pd.DataFrame, *, potential: bool) -> str:
    """Write the waters as PHREEQC input, with calcite equilibrium if the potential is wanted."""
    calcite = "EQUILIBRIUM_PHASES\nCalcite 0 10\n" if potential else ""
    solutions = [
        f"SOLUTION\nunits mmol/kgw\ntemp {w['temperature_c']}\npH {w['ph']}\n"
        f"Ca {w['calcium_mg_l'] / 40.078}\nMg {w['magnesium_mg_l'] / 24.305}\n"
        f"Na {w['sodium_mg_l'] / 22.98977}\nCl {w['chloride_mg_l'] / 35.453}\n"
        f"S(6) {w['sulfate_mg_l'] / 96.0626}\nSi {w['silica_mg_l'] / 60.0843}\n"
        f"Alkalinity {w['bicarbonate_mg_l'] / 61.0168}\n{calcite}END\n"
        for w in waters.to_dict("records")
    ]
    return PUNCH + "".join(solutions)


def rate(count: int, work: Callable[[], object]) -> float:
    """Waters per second of one call."""
    begin = time.perf_counter()
    work()
    return count / (time.perf_counter() - begin)


def compare(waters: pd.DataFrame, engine: phreeqpython.PhreeqPython, *, potential: bool) -> float:
    """Ratio of the median rates over turns taken in alternation."""
    text = script(waters.iloc[:REFERENCE_WATERS], potential=potential)
    ours, theirs = [], []
    for _ in range(TURNS):
        ours.append(rate(len(waters), lambda: saturate(waters, ccpp=potential)))
        theirs.append(rate(REFERENCE_WATERS, lambda: engine.ip.run_string(text)))
    here, there = statistics.median(ours), statistics.median(theirs)
    name = "with potential" if potential else "indices only"
    sys.stdout.write(f"{name}: {here:,.0f} waters/s, PHREEQC {there:,.0f}, ratio {here / there:.0f}\n")
    return here / there


def main() -> int:
    """Run both comparisons and the memory measurement; 1 if a goal is missed."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    waters = sample(count)
    engine = phreeqpython.PhreeqPython(database="phreeqc.dat")
    ratios = [compare(waters, engine, potential=potential) for potential in (False, True)]
    tracemalloc.start()
    saturate(waters)
    per_water = tracemalloc.get_traced_memory()[1] / count
    sys.stdout.write(f"peak memory of saturate: {per_water:.0f} bytes per water\n")
    return int(ratios[0] < INDEX_GOAL or ratios[1] < POTENTIAL_GOAL or per_water > BYTES_GOAL)


if __name__ == "__main__":
    sys.exit(main())
