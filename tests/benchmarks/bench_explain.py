"""Time the explanations of held samples on one core and measure their memory.

Run from the project folder: ``python tests/benchmarks/bench_explain.py [samples]``. Half of the samples are
complete laboratory analyses, half drop-kit records; each carries one mistake.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # before numpy: one core

import resource
import sys
import time

import make_files
import numpy as np
import pandas as pd

from pipeline.checks.limits import Limits
from pipeline.explain.rank import explain
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import SampleTable, samples_from_wide

SECONDS_GOAL, MEGABYTES_GOAL = 6.0, 600.0


def held(count: int) -> SampleTable:
    """Draw waters from a fixed seed, half of them as a kit sees them, and spoil one reading of each."""
    random = np.random.default_rng(7)
    medians = {"calcium": 60.0, "magnesium": 12.0, "sodium": 15.0, "potassium": 2.0, "chloride": 20.0, "nitrate": 8.0}
    wide = pd.DataFrame({f"{ion}_mg_l": m * np.exp(random.normal(0, 0.6, count)) for ion, m in medians.items()})
    cations = wide["calcium_mg_l"] / 20.04 + wide["magnesium_mg_l"] / 12.15 + wide["sodium_mg_l"] / 22.99
    rest = np.maximum(cations - wide["chloride_mg_l"] / 35.45 - wide["nitrate_mg_l"] / 62.0, 0.3)
    wide["bicarbonate_mg_l"], wide["sulfate_mg_l"] = 0.8 * rest * 61.02, 0.2 * rest * 48.03
    named = {"Calcium": "calcium", "Magnesium": "magnesium", "Sodium": "sodium", "Potassium": "potassium"}
    named |= {"Chloride": "chloride", "Sulfate": "sulfate", "Nitrate": "nitrate"}
    ions = {name: wide[f"{ion}_mg_l"].to_numpy() for name, ion in named.items()}
    ions["Alkalinity"] = wide["bicarbonate_mg_l"].to_numpy() * 0.8202
    wide["conductivity_us_cm_25c"] = make_files.conductivity(ions) * np.exp(random.normal(0, 0.02, count))
    wide["ph"] = random.normal(7.4, 0.2, count)
    kit = np.arange(count) % 2 == 1
    wide["total_hardness_mg_l_caco3"] = np.where(
        kit, 2.497 * wide["calcium_mg_l"] + 4.118 * wide["magnesium_mg_l"], np.nan
    )
    wide["alkalinity_mg_l_caco3"] = np.where(kit, wide["bicarbonate_mg_l"] * 0.8202, np.nan)
    ions = [f"{ion}_mg_l" for ion in (*medians, "bicarbonate", "sulfate")]
    wide.loc[kit, ions] = np.nan
    which = random.integers(0, 3, count)
    wide["conductivity_us_cm_25c"] *= np.where(which == 0, 0.1, 1.0)
    wide["bicarbonate_mg_l"] *= np.where(which == 1, 1.0 / 1.219, 1.0)
    wide["total_hardness_mg_l_caco3"] *= np.where(which == 2, 1.785, 1.0)
    for column in [name for name in wide if name != "ph"]:
        wide[f"{column}.u"] = 0.06 * wide[column]
    wide["client"], wide["site"] = "c", (np.arange(count) // 4).astype(str)
    wide["file_sha256"] = (np.arange(count) // 500).astype(str)
    return with_derived(samples_from_wide(wide))


def main() -> int:
    """Explain all samples; 1 if a goal is missed."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    samples = held(count)
    none = pd.DataFrame({"check_id": pd.Series(dtype="str"), "sample_id": pd.Series(dtype="str")})
    start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begin = time.process_time()
    explained = explain(samples, none, Limits()).tables()
    seconds = time.process_time() - begin
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    sys.stdout.write(
        f"{count} samples: {seconds:.2f} s of one core, {len(explained.explanations)} explanations, "
        f"{len(explained.patterns)} patterns, peak {peak:.0f} MB ({peak - start / 1024.0:.0f} MB of it here)\n"
    )
    return int(seconds > SECONDS_GOAL or peak > MEGABYTES_GOAL)


if __name__ == "__main__":
    sys.exit(main())
