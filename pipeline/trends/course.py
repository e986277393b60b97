"""The course of a group through the years, quarter by quarter, as its sites show it together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.trends.cells import SEASONS, group_medians
from pipeline.trends.group_rows import EPOCHS

if TYPE_CHECKING:
    from pipeline.arrays import Codes
    from pipeline.trends.panel import Panel, SamplingPoints

COURSE_COLUMNS: Final = ["group", "analyte", "stage", "year", "low", "middle", "high", "readings"]


def group_course(
    panel: Panel, points: SamplingPoints, group: Codes, epoch: Codes, wanted: tuple[int, str, str]
) -> pd.DataFrame:
    """Give quarters of one group: each site against its own median, on the level of the group.

    Parameters
    ----------
    group : (samples,) number of the group of each sample.
    epoch : (readings of the panel,) how often the source had changed; zeros show changes of source as well.
    wanted : number of the group, its name, the stage.

    Returns
    -------
    ``COURSE_COLUMNS``: middle of the quarter [years], quartiles and median of the sites, readings.
    """
    number, name, stage = wanted
    mine = panel.first & (group[panel.sample] == number) & np.isfinite(panel.value)
    rows = np.flatnonzero(mine & (points.table["stage"] == stage).to_numpy()[panel.place])
    if not len(rows):
        return pd.DataFrame(columns=COURSE_COLUMNS)
    series = np.unique(panel.place[rows] * EPOCHS + epoch[rows], return_inverse=True)[1]
    usual = group_medians(series, panel.value[rows], int(series.max()) + 1)
    level = float(np.median(usual))
    quarter = np.floor(panel.year[rows] * SEASONS)
    table = pd.DataFrame({"quarter": quarter, "value": panel.value[rows] - usual[series] + level})
    grouped = table.groupby("quarter")["value"]
    found = {share: grouped.quantile(share) for share in (0.25, 0.5, 0.75)}
    return pd.DataFrame({
        "group": name, "analyte": panel.analyte, "stage": stage,
        "year": (found[0.5].index.to_numpy(dtype=np.float64) + 0.5) / SEASONS, "low": found[0.25].to_numpy(),
        "middle": found[0.5].to_numpy(), "high": found[0.75].to_numpy(),
        "readings": table.groupby("quarter").size().to_numpy(),
    })  # fmt: skip
