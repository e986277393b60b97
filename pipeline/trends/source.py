"""Changes of the water itself: another source, or one quantity that jumps at a site."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.trends.steps import Steps, find_steps

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Flags, Floats
    from pipeline.trends.panel import Panel, SamplingPoints


TOGETHER: Final = ("total_hardness", "alkalinity", "conductivity")
_SMALLEST, _LARGEST = 0.05, 0.12  # the least and the most moved quantity, as logarithms
_ON_THE_WHOLE: Final = (
    0.135  # all together; common practice asks for 15 %, and a wet spell moves a water by as much as 12
)
_ALONE_ON_THE_WHOLE: Final = 0.25  # where other places of the utility did not change
_DEVIATES: Final = 2.5
_ALTERNATING: Final = 3  # steps back and forth
_SEASONAL_YEARS: Final = 1.5
_SAME_LEVEL: Final = 0.5
_NEAR_YEARS: Final = 0.17  # two months
_CONFIRMED, _SHARE_CONFIRMED = 3, 1 / 3
_STEP_SIZE, _STEP_PH, _STEP_DEVIATES, _STEP_STRENGTH = 0.25, 0.4, 6.0, 30.0
_FLOOR: Final = 0.02
_MOST_OF_THE_WAY: Final = 0.5
_ROUNDS: Final = 3
CHANGE_FIELDS: Final = ["kind", "place", "analyte", "at", "earliest", "latest", "before", "after", "evidence"]


def source_changes(panels: dict[str, Panel], places: SamplingPoints, utility: Codes) -> tuple[pd.DataFrame, Floats]:
    """Find where hardness, alkalinity and conductivity of a raw water moved together.

    Returns
    -------
    One row for each change and quantity (``CHANGE_FIELDS``; times in years), and the times of the changes by place,
    to compare a site only with itself under one source: (m, 2) place and time.
    """
    here: list[str] = [name for name in TOGETHER if name in panels]
    raw = np.flatnonzero((places.table["stage"] == "raw").to_numpy()[np.maximum(places.place, 0)] & (places.place >= 0))
    values = np.full((len(places.place), len(here)), np.nan)
    for column, name in enumerate(here):
        panel = panels[name]
        known = panel.first & (panel.value > 0)
        values[panel.sample[known], column] = np.log(panel.value[known])
    raw = raw[(~np.isnan(values[raw])).any(axis=1)] if here else raw[:0]
    raw = raw[np.lexsort((places.year[raw], places.place[raw]))]
    if len(here) < 2 or not len(raw):  # noqa: PLR2004 - together means two at least
        return pd.DataFrame(columns=CHANGE_FIELDS), np.zeros((0, 2))
    place, year, known_values = places.place[raw], places.year[raw], values[raw]
    steps = find_steps(place, year, known_values, np.full(len(here), _FLOOR), seasonal=True, rounds=_ROUNDS)
    steps = _chosen(steps, _together(steps))
    steps = _chosen(steps, ~_back_and_forth(steps, year))
    steps = _chosen(steps, _believed(steps, year, utility, np.unique(place)))
    if not len(steps.series):
        return pd.DataFrame(columns=CHANGE_FIELDS), np.zeros((0, 2))
    levels = _levels(place, known_values, steps)
    stays = _stays(steps, levels)
    steps, levels = _chosen(steps, stays), levels[stays]
    if not len(steps.series):
        return pd.DataFrame(columns=CHANGE_FIELDS), np.zeros((0, 2))
    moments = np.column_stack([place[steps.after], year[steps.after]])
    told = _told(steps, year, levels, here, _neighbours(steps, year, utility))
    return told, _with_neighbours(moments, _moments(steps, year), utility)


def _with_neighbours(moments: Floats, at: Floats, utility: Codes) -> Floats:
    """Give the change of a utility to all its places, for one that was hardly visited before or after shows none.

    A utility has changed where three of its places, and a third of them, changed within two months.
    """
    zone = utility[moments[:, 0].astype(np.int64)]
    more = [moments]
    for number in np.unique(zone[zone >= 0]):
        own = zone == number
        places = np.flatnonzero(utility == number)
        for moment in np.unique(np.round(at[own] / _NEAR_YEARS)) * _NEAR_YEARS:
            near = own & (np.abs(at - moment) <= _NEAR_YEARS)
            changed = np.unique(moments[near, 0])
            if len(changed) >= max(_CONFIRMED, _SHARE_CONFIRMED * len(places)):
                rest = np.setdiff1d(places, changed)
                when = float(np.median(moments[near, 1]))
                more.append(np.column_stack([rest, np.full(len(rest), when)]))
    return np.unique(np.concatenate(more), axis=0)


def _chosen(steps: Steps, kept: Flags) -> Steps:
    return Steps(*(getattr(steps, name)[kept] for name in Steps.__dataclass_fields__))


def _together(steps: Steps) -> Flags:
    """Tell the steps in which all that was measured, two quantities at least, moved one way and far enough."""
    known = ~np.isnan(steps.size)
    size = np.abs(steps.size)
    one_way = np.abs(np.nansum(np.sign(steps.size), axis=1)) == known.sum(axis=1)
    least = np.where(known, size, np.inf).min(axis=1, initial=np.inf)
    most = np.where(known, size, 0.0).max(axis=1, initial=0.0)
    sure = np.where(known, np.abs(steps.deviates), np.inf).min(axis=1, initial=np.inf)
    whole = np.where(known, size, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    moved: Flags = (
        (known.sum(axis=1) >= 2)  # noqa: PLR2004 - together means two at least
        & one_way
        & (least >= _SMALLEST)
        & (most >= _LARGEST)
        & (sure >= _DEVIATES)
        & (whole >= _ON_THE_WHOLE)
    )
    return moved


def _believed(steps: Steps, year: Floats, utility: Codes, places: Codes) -> Flags:
    """Tell the steps that are large enough to be seen at one place alone, where the utility has others that stayed.

    Parameters
    ----------
    places : those whose raw water was read.
    """
    zone = utility[steps.series]
    supplied = np.bincount(utility[places] + 1, minlength=int(utility.max(initial=-1)) + 2)[zone + 1]
    confirmed = _neighbours(steps, year, utility) > 0
    alone = (zone >= 0) & (supplied > _CONFIRMED) & ~confirmed
    size = np.nanmean(np.abs(steps.size), axis=1) if len(steps.series) else np.zeros(0)
    return np.asarray(~alone | (size >= _ALONE_ON_THE_WHOLE))


def _moments(steps: Steps, year: Floats) -> Floats:
    """Give the middle of the gap in which each step happened [years]."""
    return (year[steps.before] + year[steps.after]) / 2


def _neighbours(steps: Steps, year: Floats, utility: Codes) -> Codes:
    """Count the other places of the utility that changed in the same weeks."""
    moment, zone = _moments(steps, year), utility[steps.series]
    found = np.zeros(len(moment), dtype=np.int64)
    for number in np.flatnonzero(zone >= 0):
        near = (zone == zone[number]) & (np.abs(moment - moment[number]) < _NEAR_YEARS)
        found[number] = len(np.unique(steps.series[near & (steps.series != steps.series[number])]))
    return found


def _back_and_forth(steps: Steps, year: Floats) -> Flags:
    """Tell the steps of places that go back and forth between two waters, each for less than a year and a half."""
    size = np.nanmean(np.where(np.isnan(steps.size), np.nan, steps.size), axis=1) if len(steps.series) else np.zeros(0)
    back = np.zeros(len(size), dtype=bool)
    same = steps.series[1:] == steps.series[:-1]
    soon = year[steps.after[1:]] - year[steps.after[:-1]] < _SEASONAL_YEARS
    opposed = np.abs(size[1:] + size[:-1]) < _SAME_LEVEL * np.minimum(np.abs(size[1:]), np.abs(size[:-1]))
    turns = same & soon & opposed
    back[1:] |= turns
    back[:-1] |= turns
    many = pd.Series(back).groupby(steps.series).transform("sum").to_numpy() >= _ALTERNATING
    return back & many


def _levels(place: Codes, values: Floats, steps: Steps) -> Floats:
    """Give the median before and after every step, of the stretch of the series on either side: (steps, 2, k)."""
    divided = np.zeros(len(place), dtype=np.int64)
    divided[steps.after] = 1
    divided[1:] += place[1:] != place[:-1]
    stretch = np.cumsum(divided > 0)
    medians = pd.DataFrame(values).groupby(stretch).median().to_numpy()
    names = np.unique(stretch, return_inverse=True)[1]
    return np.asarray(np.exp(np.stack([medians[names[steps.before]], medians[names[steps.after]]], axis=1)))


def _stays(steps: Steps, levels: Floats) -> Flags:
    """Tell the steps that the medians of the stretches on either side show as well, most of the way.

    A source that switches with the seasons leaves both medians where they were.
    """
    shown = np.log(levels[:, 1] / levels[:, 0]) * np.sign(steps.size)
    return np.asarray(np.nansum(shown, axis=1) >= _MOST_OF_THE_WAY * np.nansum(np.abs(steps.size), axis=1))


def _told(steps: Steps, year: Floats, levels: Floats, here: list[str], neighbours: Codes) -> pd.DataFrame:
    """Write one row for each change and quantity, with what speaks for it."""
    first, last = year[steps.earliest], year[steps.latest]
    moment = _moments(steps, year)
    rows = []
    for number, place in enumerate(steps.series):
        evidence = _evidence(steps.size[number], levels[number], here, int(neighbours[number]))
        rows += [
            (
                "source-change",
                int(place),
                name,
                moment[number],
                first[number],
                last[number],
                *levels[number][:, k],
                evidence,
            )
            for k, name in enumerate(here)
            if not np.isnan(steps.size[number, k])
        ]
    return pd.DataFrame(rows, columns=CHANGE_FIELDS)


_WORDS: Final = {"total_hardness": "hardness", "alkalinity": "alkalinity", "conductivity": "conductivity"}


def _evidence(size: Floats, levels: Floats, here: list[str], others: int) -> str:
    moved = ", ".join(
        f"{_WORDS[name]} {100 * np.expm1(size[k]):+.0f} %" for k, name in enumerate(here) if not np.isnan(size[k])
    )
    text = f"together: {moved}"
    if {"total_hardness", "conductivity"} <= set(here):
        hardness, conductivity = here.index("total_hardness"), here.index("conductivity")
        before, after = levels[:, conductivity] / levels[:, hardness]
        if np.isfinite(before + after):
            kind = (
                "diluted or concentrated alike" if abs(np.log(after / before)) < _LARGEST else "a water of another make"
            )
            text += f"; conductivity to hardness {before:.2f} before, {after:.2f} after: {kind}"
    sites = "1 other site" if others == 1 else f"{others} other sites"
    known = f"{sites} of the utility changed in the same weeks" if others else "seen at this site alone so far"
    return f"{text}; {known}. Ask the utility when it changed the source, and the site whether its connection changed."


_ALONE: Final = "this quantity alone jumps and stays. Ask whether kit, unit or laboratory changed, then the utility."


def single_steps(panel: Panel, places: SamplingPoints, epoch: Codes) -> pd.DataFrame:
    """Find where one quantity of a raw water jumps for good, by far more than season and drift would."""
    raw = (places.table["stage"] == "raw").to_numpy()
    positive = (panel.value > 0) if panel.logarithmic else np.isfinite(panel.value)
    rows = np.flatnonzero(panel.first & positive & raw[panel.place])
    if not len(rows):
        return pd.DataFrame(columns=CHANGE_FIELDS)
    series = np.unique(panel.place[rows] * 64 + epoch[rows], return_inverse=True)[1]
    rows = rows[np.lexsort((panel.year[rows], series))]
    series = np.sort(series)
    values = np.log(panel.value[rows]) if panel.logarithmic else panel.value[rows]
    steps = find_steps(series, panel.year[rows], values[:, None], np.array([2 * _FLOOR]), seasonal=True, rounds=2)
    size, sure = np.abs(steps.size[:, 0]), np.abs(steps.deviates[:, 0])
    worth = _STEP_SIZE if panel.logarithmic else _STEP_PH
    steps = _chosen(steps, (size >= worth) & (sure >= _STEP_DEVIATES) & (steps.strength >= _STEP_STRENGTH))
    if not len(steps.series):
        return pd.DataFrame(columns=CHANGE_FIELDS)
    levels = _levels(series, values[:, None], steps)[:, :, 0]
    levels = levels if panel.logarithmic else np.log(levels)
    year = panel.year[rows]
    return pd.DataFrame({
        "kind": "step", "place": panel.place[rows][steps.after], "analyte": panel.analyte,
        "at": _moments(steps, year), "earliest": year[steps.earliest],
        "latest": year[steps.latest], "before": levels[:, 0], "after": levels[:, 1],
        "evidence": _ALONE,
    })[CHANGE_FIELDS]  # fmt: skip
