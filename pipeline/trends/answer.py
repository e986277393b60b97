"""The whole answer: one row for every group, quantity and stage, and what changed where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.trends.course import COURSE_COLUMNS, group_course
from pipeline.trends.density import DENSITY_COLUMNS, raw_density
from pipeline.trends.device_rows import DEVICES, device_changes, device_rows
from pipeline.trends.discovery import discovery_rate
from pipeline.trends.exhaustion import exhaustions
from pipeline.trends.group_rows import EPOCHS, rows_of_groups
from pipeline.trends.panel import Panel, SamplingPoints, panel_of, sampling_points
from pipeline.trends.source import single_steps, source_changes

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Floats
    from pipeline.store.observations import Observations
    from pipeline.store.renamed_regions import Renaming


GROUPS: Final = ("region", "site", "client", "utility", *DEVICES)
ROW_COLUMNS: Final = [
    "group", "analyte", "stage", "unit", "samples", "sites", "censored", "median", "slope_per_year", "slope_low",
    "slope_high", "p", "q", "season",
]  # fmt: skip
_CHANGE_KINDS: Final = ("source-change", "exhaustion", "step")
_COLUMN: Final = {"region": "region", "client": "client", "utility": "supply"}


@dataclass(frozen=True)
class Trends:
    """The answer.

    ``rows``: ``ROW_COLUMNS`` and more, one for each group, quantity and stage. ``changes``: one for each change and
    quantity with `group stage analyte kind site at earliest latest before after evidence`, times in years.
    ``nameless``: samples that name neither client nor site. ``renamed``: regions that are told by a later name.
    """

    by: str
    rows: pd.DataFrame
    changes: pd.DataFrame
    nameless: int
    courses: pd.DataFrame
    density: pd.DataFrame
    renamed: tuple[Renaming, ...]


def trends(found: Observations, by: str, pictures: int = 0, only: tuple[str, ...] = ()) -> Trends:
    """Work out the trends of every group.

    Parameters
    ----------
    found : samples and readings that count.
    by : one of ``GROUPS``.
    pictures : of how many of the surest trends the course is wanted too.
    only : quantities that are told; empty: all. The others serve to find changes of the source.
    """
    samples, kinds = found.samples, found.kinds
    places = sampling_points(samples)
    quantities = _quantities(found)
    panels = {name: panel_of(name, samples, found.readings, kinds, places) for name in quantities}
    panels = {name: panel for name, panel in panels.items() if len(panel.sample)}
    code, names = (np.full(len(samples), -1), [""]) if by in DEVICES else _groups(by, samples, places)
    utility = _of_place(samples["supply"], places)
    changed, moments = source_changes(panels, places, utility)
    site = pd.factorize(places.table["client"] + "\x1f" + places.table["site"])[0]
    tables, changes = [], [changed, exhaustions(panels, places, samples["counter_litres"].to_numpy(dtype=np.float64))]
    jumped = []
    epochs: dict[str, Codes] = {}
    asked = {name: panel for name, panel in panels.items() if name in only or not only}
    for panel in asked.values():
        epoch = epochs[panel.analyte] = _epoch(panel, moments, site)
        changes.append(single_steps(panel, places, epoch))
        if by in DEVICES:
            tables.append(device_rows(panel, by, samples, kinds, places))
        else:
            tables.append(rows_of_groups(panel, code, names, epoch, places))
        jumped.append(_jumped(panel, by, found, places, code, names))
    rows = _joined(tables, ROW_COLUMNS)
    rows["q"] = discovery_rate(rows["p"].to_numpy(dtype=np.float64))
    water = _joined([] if by in DEVICES else [_of_groups(part, places, code, names) for part in changes], [])
    all_changes = _joined([water, *jumped], ["group", "stage", "analyte", "kind", "site", "at", "earliest"])
    all_changes = all_changes[all_changes["analyte"].isin(list(asked))]
    rows = rows.sort_values(["group", "analyte", "stage"], ignore_index=True)
    best = rows.sort_values(["q", "p"]).head(0 if by in DEVICES else pictures)
    numbers = {name: number for number, name in enumerate(names)}
    drawn = [
        group_course(panels[analyte], places, code, epochs[analyte] * (by != "site"), (numbers[group], group, stage))
        for analyte, group, stage in best[["analyte", "group", "stage"]].astype("str").to_numpy().tolist()
    ]
    density = raw_density(panels, places) if pictures else pd.DataFrame(columns=DENSITY_COLUMNS)
    order = ["group", "at", "site", "analyte"]
    all_changes = all_changes.sort_values(order, ignore_index=True)
    return Trends(by, rows, all_changes, int((places.place < 0).sum()), _joined(drawn, COURSE_COLUMNS), density,
                  found.renamed)  # fmt: skip


def found_changes(found: Observations, kinds: tuple[str, ...] = ()) -> pd.DataFrame:
    """Find the changes of waters alone, without their trends: of source, of media, of one quantity, with their sites.

    Parameters
    ----------
    found : samples, and readings of the quantities that are looked at.
    kinds : `source-change`, `exhaustion`, `step`; empty: all. What is not wanted is not worked out.
    """
    samples, kinds = found.samples, kinds or _CHANGE_KINDS
    places = sampling_points(samples)
    panels = {name: panel_of(name, samples, found.readings, found.kinds, places) for name in _quantities(found)}
    panels = {name: panel for name, panel in panels.items() if len(panel.sample)}
    parts = []
    if "source-change" in kinds or "step" in kinds:
        changed, moments = source_changes(panels, places, _of_place(samples["supply"], places))
        parts += [changed] * ("source-change" in kinds)
    if "exhaustion" in kinds:
        parts.append(exhaustions(panels, places, samples["counter_litres"].to_numpy(dtype=np.float64)))
    if "step" in kinds:
        site = pd.factorize(places.table["client"] + "\x1f" + places.table["site"])[0]
        parts += [single_steps(panel, places, _epoch(panel, moments, site)) for panel in panels.values()]
    code, names = _groups("site", samples, places)
    return _joined([_of_groups(part, places, code, names) for part in parts], [])


def _quantities(found: Observations) -> list[str]:
    """Name the quantities that were read."""
    read = np.unique(found.readings["kind"].to_numpy())
    return sorted(found.kinds["analyte"].astype("str").iloc[read].unique())


def _joined(parts: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=columns)


def _groups(by: str, samples: pd.DataFrame, places: SamplingPoints) -> tuple[Codes, list[str]]:
    """Give every sample its group; -1 where it names none."""
    if by == "site":
        number, sites = pd.factorize(places.table["name"], sort=True)
        own = number[np.maximum(places.place, 0)] if len(number) else number
        return np.where(places.place >= 0, own, -1), [str(name) for name in sites]
    column = samples[_COLUMN[by]]
    names = [str(name) for name in column.cat.categories]
    codes = column.cat.codes.to_numpy(dtype=np.int64)
    nameless = np.array([*(name.strip() == "" for name in names), True])
    return np.where(nameless[codes] | (places.place < 0), -1, codes), names


def _of_place(column: pd.Series, places: SamplingPoints) -> Codes:
    """Give every place the group that its first sample names, as a number; -1 where that is empty."""
    codes = column.cat.codes.to_numpy(dtype=np.int64)
    empty = np.array([*(str(name).strip() == "" for name in column.cat.categories), True])
    codes = np.where(empty[codes], -1, codes)
    found = np.full(len(places.table), -1)
    known = np.flatnonzero(places.place >= 0)[::-1]
    found[places.place[known]] = codes[known]
    return found


def _epoch(panel: Panel, moments: Floats, site: Codes) -> Codes:
    """Count how often the source of its site had changed before each reading, of the treated water as well."""
    if not len(moments):
        return np.zeros(len(panel.sample), dtype=np.int64)
    changes = np.sort(site[moments[:, 0].astype(np.int64)] * 10_000.0 + moments[:, 1])
    own = site[panel.place] * 10_000.0
    passed = np.searchsorted(changes, own + panel.year, side="right") - np.searchsorted(changes, own)
    return np.asarray(np.minimum(passed, EPOCHS - 1))


def _of_groups(changes: pd.DataFrame, places: SamplingPoints, code: Codes, names: list[str]) -> pd.DataFrame:
    """Name the site of every change, and its group: that of the samples of the place around the change."""
    if changes.empty:
        return changes
    place = changes["place"].to_numpy(dtype=np.int64)
    order = np.lexsort((places.year, places.place))
    key = places.place[order] * 10_000.0 + places.year[order]
    last = np.clip(
        np.searchsorted(key, place * 10_000.0 + changes["latest"].to_numpy(dtype=np.float64)), 0, len(key) - 1
    )
    owner = code[order[last]]
    table = places.table.iloc[place].reset_index(drop=True)
    named = changes.reset_index(drop=True).assign(
        group=[names[number] for number in owner],
        site=table["name"],
        stage=table["stage"],
        client=table["client"],
        sampling_point=table["sampling_point"],
    )
    return pd.DataFrame(named[owner >= 0])


def _jumped(
    panel: Panel, by: str, found: Observations, places: SamplingPoints, code: Codes, names: list[str]
) -> pd.DataFrame:
    """Give the changes of devices to the groups in which they were used."""
    changes = device_changes(panel, by, found.samples, found.kinds)
    if changes.empty:
        return changes
    judged = panel.judged
    stage = places.table["stage"].to_numpy()[panel.place[judged]]
    own = panel.operator[judged] if by == "operator" else panel.instrument[judged]
    used = pd.DataFrame({"device": own, "stage": stage})
    if by in DEVICES:
        labels = [
            str(n)
            for n in (found.samples["operator"] if by == "operator" else found.kinds["instrument"]).cat.categories
        ]
        counted = panel.drops[judged] if by != "operator" else np.zeros(len(judged), dtype=bool)
        fits = np.ones(len(judged), dtype=bool) if by == "operator" else counted == (by == "kit")
        used = used.assign(group=[labels[number] if number >= 0 else "" for number in own])[fits & (own >= 0)]
    else:
        owner = code[panel.sample[judged]]
        used = used.assign(group=[names[number] for number in owner])[(owner >= 0) & (own >= 0)]
    used = used.drop_duplicates()
    return changes.merge(used, on="device").assign(site="")
