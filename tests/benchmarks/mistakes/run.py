"""Plant mistakes in realistic records and measure how well they are found and named.

    python tests/benchmarks/mistakes/run.py FOLDER [RECORDS] [SEED]

The records go through files: kit sheets and reports in three languages, read by the main job. Writes ``planted.md``
with its tables, ``planted.csv`` with one row per record and ``calibration.svg`` to FOLDER.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

import files
import noise
import numpy as np
import pandas as pd
import plant
import score
import sites
import whole_files

if TYPE_CHECKING:
    from noise import Received
    from plant import Planting

PLANTED: Final = 0.6  # of the records; the others stay clean


def records(count: int, seed: int) -> tuple[Received, Received, dict[int, Planting]]:
    """Draw records and plant one mistake in some of them.

    Returns
    -------
    before, after : all records without and with the mistakes.
    plantings : position of a record → its mistake.
    """
    random = np.random.default_rng(seed)
    true, about = sites.build(count, random)
    before = noise.written(true, about, random)
    after = before.copy()
    free = np.flatnonzero(((about["role"] == "subject") & (about["state"] == "")).to_numpy())
    free = random.permutation(free)[: round(PLANTED * len(free))]
    record, kind = about["record"].to_numpy(), about["site_kind"].to_numpy()
    plantings: dict[int, Planting] = {}
    for number, entry in enumerate(plant.PLANTINGS):
        left = len(plant.PLANTINGS) - number
        fitting = free[np.isin(record[free], entry.kinds) & np.isin(kind[free], entry.sites)]
        chosen = fitting[: max(len(free) // left, 1)]
        done = chosen[entry.act(after, chosen, random)]
        plantings |= dict.fromkeys(done.tolist(), entry)
        free = free[~np.isin(free, done)]
    return before, after, plantings


def measure(count: int, seed: int, folder: Path | None = None) -> pd.DataFrame:
    """Plant, check, explain and compare: one row per record under test.

    With a ``folder`` the records are written there as files, and read, judged and stored by the main job.
    """
    before, after, plantings = records(count, seed)
    table = noise.sample_table(after)
    subjects = np.flatnonzero((table.about["role"] == "subject").to_numpy())
    found = score.of_table(table) if folder is None else files.imported(after, folder)[1]
    return score.judge(found, table.about, plantings, score.moved(before, after, noise.sample_table(before), subjects))


def markdown(table: pd.DataFrame) -> str:
    """Write a table in Markdown with one decimal."""
    head = [table.index.name or "", *map(str, table.columns)]
    rows = [[str(name), *(f"{x:.1f}" if isinstance(x, float) else str(x) for x in row)] for name, row in
            zip(table.index, table.astype(object).itertuples(index=False), strict=True)]  # fmt: skip
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def report(judged: pd.DataFrame, seconds: float) -> str:
    """Put the figures into one page."""
    table = score.reliability(judged)
    states = judged[judged["state"] != ""]
    named = pd.DataFrame(
        {
            "n": states.groupby("state").size(),
            "held_percent": 100.0 * states.groupby("state")["detected"].mean(),
            "first_percent": 100.0 * states.groupby("state")["right"].mean(),
            "called_a_mistake_percent": 100.0 * score.loud(states).groupby(states["state"]).mean(),
        }
    )
    return "\n\n".join(
        [
            f"# Planted mistakes: {len(judged)} records in {seconds:.0f} s",
            "Visible: a number moved by more than three combined standard uncertainties. Shares are of the visible.",
            markdown(score.overall(judged)),
            "## By mistake",
            markdown(score.per_mistake(judged)),
            "## Clean records",
            markdown(score.clean(judged)),
            "## True changes, not mistakes",
            markdown(named),
            f"## Calibration (mean distance {score.calibration_error(table):.3f})",
            markdown(table.assign(stated=100 * table["stated"], right=100 * table["right"])),
            "```text\n" + score.as_text(table) + "\n```\n",
        ]
    )


def main() -> None:
    """Run and write."""
    folder = Path(sys.argv[1])
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 4000
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 20261125
    folder.mkdir(parents=True, exist_ok=True)
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as written:
        judged = measure(count, seed, Path(written))
    text = report(judged, time.perf_counter() - started)
    throughout = whole_files.measure(max(count // 40, 10), seed)
    text += "\n\n## One mistake in a whole file\n\n" + markdown(whole_files.shares(throughout)) + "\n"
    (folder / "planted.md").write_text(text, encoding="utf-8")
    judged.to_csv(folder / "planted.csv")
    (folder / "calibration.svg").write_text(score.as_svg(score.reliability(judged)), encoding="utf-8")
    sys.stdout.write(text)


if __name__ == "__main__":
    main()
