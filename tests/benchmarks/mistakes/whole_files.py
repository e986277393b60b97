"""Files with one mistake in every row: found once, told once; and clean files, left alone."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Final

import noise
import numpy as np
import pandas as pd
import plant
import sites

from pipeline.checks.limits import Limits
from pipeline.checks.run import run_all
from pipeline.explain.rank import explain

if TYPE_CHECKING:
    from plant import Planting

ROWS: Final = 16  # records in a file
CLEAN: Final = 0.3  # of the files
SYSTEMATIC: Final = (
    "wrong-basis bicarbonate as CaCO3",
    "wrong-basis alkalinity as HCO3",
    "wrong-unit conductivity mS/m",
    "wrong-unit conductivity mS/cm",
    "wrong-unit alkalinity mmol/L",
    "wrong-unit total_hardness °f",
    "swapped-analytes sodium potassium",
    "swapped-analytes calcium magnesium",
    "not-temperature-compensated conductivity",
)


def measure(files: int, seed: int) -> pd.DataFrame:
    """Plant one mistake in all rows of some files.

    Parameters
    ----------
    files : how many.
    seed : of chance.

    Returns
    -------
    one row per file: `planting` ("" where clean), `record`, `rows` planted, `patterns` reported, `right`.
    """
    random = np.random.default_rng(seed)
    true, about = sites.build(files * ROWS, random)
    alone = (about["role"] == "subject").to_numpy()
    true, about = true[alone].reset_index(drop=True), about[alone].assign(partner=-1, previous=-1)
    number = np.arange(len(about)) // ROWS
    kind = random.choice(["laboratory", "kit"], files)
    habit = random.integers(0, 2310, files)
    names = np.array([hashlib.sha256(f"whole {file}".encode()).hexdigest() for file in range(files)])
    about = about.assign(
        record=kind[number], habit=habit[number], file_sha256=pd.array(names[number], dtype="str"), treatment=""
    )
    received = noise.written(true, about, random)
    wanted = _plant(received, number, kind, random)
    samples = noise.sample_table(received)
    checked = run_all(samples, Limits(), lambda _: None)
    found = explain(samples, checked.findings, Limits()).patterns.table  # all that is new, as the main job does
    found = found[found["scope"] == "file"]
    rows = []
    for file in range(files):
        entry, changed = wanted.get(file, (None, 0))
        if 0 < changed < ROWS // 2:
            continue  # neither clean nor wrong throughout
        own = found[found["file_sha256"] == names[file]]
        right = entry is not None and changed > 0 and any(_is(row, entry) for row in own.to_dict("records"))
        rows.append((file, entry.name if entry and changed else "", kind[file], changed, len(own), right))
    return pd.DataFrame(rows, columns=["file", "planting", "record", "rows", "patterns", "right"])


def _plant(
    received: noise.Received, number: np.ndarray, kind: np.ndarray, random: np.random.Generator
) -> dict[int, tuple[Planting, int]]:
    planted = {}
    for file in range(len(kind)):
        if random.random() < CLEAN:
            continue
        entries = [one for one in plant.PLANTINGS if one.name in SYSTEMATIC and kind[file] in one.kinds]
        entry = entries[random.integers(len(entries))]
        changed = int(entry.act(received, np.flatnonzero(number == file), random).sum())
        planted[file] = (entry, changed)
    return planted


def _is(row: dict[str, object], entry: Planting) -> bool:
    named = {str(row["analyte"]), str(row["other_analyte"])} - {""}
    return row["mistake"] == entry.mistake and named == {entry.analyte, entry.other} - {""}


def shares(files: pd.DataFrame) -> pd.DataFrame:
    """Count by planting: files, those with the right pattern, with exactly one pattern, with any [%]."""
    groups = files.assign(once=files["patterns"] == 1, any=files["patterns"] > 0).groupby("planting")
    return pd.DataFrame(
        {
            "files": groups.size(),
            "right_percent": 100.0 * groups["right"].mean(),
            "one_pattern_percent": 100.0 * groups["once"].mean(),
            "any_pattern_percent": 100.0 * groups["any"].mean(),
        }
    ).rename(index={"": "clean"})
