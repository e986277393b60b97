"""Drop kits: whether the value follows from the count, and how far one count can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.checks import record
from pipeline.checks.burettes import turned_digits
from pipeline.checks.columns import outside, taken, worded
from pipeline.checks.registry import check
from pipeline.chemistry.equivalents import MG_CACO3_PER_DEGREE
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class KitLimits:
    """Limits of the drop-kit checks; common practice of the trade [CP] unless a key says otherwise."""

    rounded_degree: float = 0.012  # 17.8, 17.85 or 18 mg/L for a German degree: what a rounded worth changes [CP]
    rounded_most: float = 0.3  # of a drop: a product rounded to fives or tens is off by no more [CP]
    fewest_drops: float = 3.0  # at one or two drops only the interval is an honest statement [CP]
    larger_sample: float = 4.0  # times the volume: a quarter of the step [CP]
    volume_tolerance: float = 0.10  # a ratio of 0.45-0.55 or 1.8-2.2 points at the volume [CP]
    usual_volumes: tuple[float, float] = (0.25, 10.0)  # used / nominal that kits are run at [CP]
    repeat_drops: float = 1.0  # two careful counts agree within one drop [CP]
    repeat_relative: float = 0.10  # or within 10 % [CP]
    bias_pairs: int = 5  # pairs with a laboratory before a habit is named [CP]
    bias_drops: tuple[float, float] = (-1.3, -0.7)  # one drop missed, ± 0.3 [CP]


# mg/L as CaCO3 in one drop of the kits in common use [CP]; degrees from their definitions [DIN19640, GRAIN].
OTHER_KITS: Final[dict[str, float]] = {
    "a kit of 1 German degree per drop (17.85 mg/L)": MG_CACO3_PER_DEGREE["°dH"],
    "a kit of 1 French degree per drop (10 mg/L)": MG_CACO3_PER_DEGREE["°f"],
    "a kit of 1 US grain per gallon per drop (17.12 mg/L)": MG_CACO3_PER_DEGREE["gpg"],
    "a kit of 1 English degree per drop (14.25 mg/L)": MG_CACO3_PER_DEGREE["°Clark"],
    "a kit of 20 mg/L per drop": 20.0,
    "a kit of 50 mg/L per drop": 50.0,
}
_SAME_KIT: Final = 0.01  # worths of a drop as close as this are one, rounded otherwise
_NO_REST: Final = 1e-6
LABORATORY: Final = ("laboratory", "burette", "photometer")


@dataclass(frozen=True)
class DropCounts:
    """Drop counts among the readings, (k,) each; volumes in mL, worth in mg/L as CaCO3.

    Attributes
    ----------
    row, place, analyte : which reading, the position of its sample, its quantity.
    line, drops : where it stood and what was counted.
    degree, ratio, step : worth of a drop as made, nominal over used volume (1 where none is recorded), and
        worth of a drop as used.
    counted : drops · step.
    """

    row: Places
    place: Places
    analyte: TextColumn
    line: Places
    drops: Floats
    degree: Floats
    ratio: Floats
    counted: Floats
    used_ml: Floats
    nominal_ml: Floats

    @property
    def step(self) -> Floats:
        """Worth of one drop as used."""
        return self.degree * self.ratio

    def take(self, rows: Places | Flags) -> DropCounts:
        """Keep some of the counts."""
        kept: dict[str, Any] = {part.name: taken(getattr(self, part.name), rows) for part in fields(self)}
        return DropCounts(**kept)


def drop_counts(samples: SampleTable) -> DropCounts:
    """Take the drop counts out of the readings, with the worth of one drop as used."""
    row = np.flatnonzero(samples.once(record.said, "form").isin(["drops"]))
    chosen = samples.readings.take(row)
    nominal, used, degree, drops = (
        record.as_numbers(chosen, name).to_numpy() for name in ("nominal_ml", "used_ml", "degree_per_drop", "drops")
    )
    known = nominal / used
    ratio = np.where(np.isnan(known), 1.0, known)
    return DropCounts(
        row=row,
        place=samples.once(record.positions)[row],
        analyte=samples.once(record.said, "analyte").take(row),
        line=chosen["line"].to_numpy(),
        drops=drops,
        degree=degree,
        ratio=ratio,
        counted=drops * degree * ratio,
        used_ml=np.where(np.isnan(used), nominal, used),
        nominal_ml=nominal,
    )


@check(
    "count-vs-value",
    title="The typed value is the drop count times the worth of one drop",
    source="CP",
    limits=KitLimits,
    severity="hold",
    unit="mg/L as CaCO3",
    message="{analyte}: {drops:0} drops × {step:2} mg/L = {expected:1}, but {observed:1} was typed; "
    "{alternative}. Ask which kit and how many mL were used.",
)
def count_vs_value(samples: SampleTable, limits: KitLimits) -> Cases:
    """Compare a typed value with the count typed beside it.

    The multiplication is the step where most kit errors are born: another kit's factor, a sample volume
    forgotten or applied twice, the count copied into the value.

    Parameters
    ----------
    samples : readings of form `drops` and `typed`, paired by sample, quantity and line.
    limits : ``rounded_degree`` [-], ``rounded_most`` [drops].

    Returns
    -------
    one row per pair; `observed` the typed value, the range around `expected` [mg/L as CaCO3].

    Notes
    -----
    expected = n · d · Vnominal / Vused [CP]: arithmetic, in which only rounding is allowed: 1.2 % for the worth of a
    drop, or half of the typed value's last digit (fives and tens count as digits) up to 0.3 of a drop. `alternative`
    names the other factor or volume that gives the typed number within 1 % or its rounding, `alternative_value` that
    number.
    """
    typed = np.flatnonzero(samples.once(record.said, "form").isin(["typed"]))
    beside, row = _typed_beside(samples, typed)
    count = len(row)
    value = record.as_numbers(samples.readings, "value").to_numpy()[row]
    expected = beside.counted
    allowed = np.maximum(
        limits.rounded_degree * expected, np.fmin(_half_digit(value), limits.rounded_most * beside.step)
    )
    slip, other = _other_multiplication(beside, value)
    low, high = expected - allowed, expected + allowed
    wrong = outside(value, low, high)
    turned = turned_digits(value, low, high)
    templates = {
        "{alternative_value:1} would fit if {slip}": wrong & ~np.isnan(other),
        "it would fit if two digits changed places ({turned:1})": wrong & np.isnan(other) & ~np.isnan(turned),
        "no usual slip gives this number": wrong & np.isnan(other) & np.isnan(turned),
    }
    return {
        "place": beside.place,
        "analyte": beside.analyte,
        "observed": value,
        "low": low,
        "high": high,
        "expected": expected,
        "drops": beside.drops,
        "step": beside.step,
        "used_ml": beside.used_ml,
        "nominal_ml": beside.nominal_ml,
        "alternative_value": other,
        "alternative": worded(count, {"slip": slip, "alternative_value": other, "turned": turned}, templates),
    }


def _half_digit(values: Floats) -> Floats:
    """Give half of the last digit a number was rounded to: tens, fives, ones or tenths."""
    whole = [np.abs(values / size - np.round(values / size)) < _NO_REST for size in (10.0, 5.0, 1.0)]
    return np.select(whole, [5.0, 2.5, 0.5], 0.05)


def _typed_beside(samples: SampleTable, typed: Places) -> tuple[DropCounts, Places]:
    """Pair every typed value with the counts of the same sample, quantity and line; typed values in order."""
    counted = samples.once(drop_counts)
    keys = ["sample", "analyte", "line"]
    place, analyte = samples.once(record.positions), samples.once(record.said, "analyte").codes
    line = samples.readings["line"].to_numpy()
    left, right = (
        pd.DataFrame(dict(zip(keys, (part[rows] for part in (place, analyte, line)), strict=True)))
        for rows in (typed, counted.row)
    )
    pairs = left.assign(typed=typed).merge(right.assign(count=np.arange(len(right))), on=keys)
    return counted.take(pairs["count"].to_numpy()), pairs["typed"].to_numpy()


def _other_multiplication(pairs: DropCounts, value: Floats) -> tuple[TextColumn, Floats]:
    """Find the slip that gives the typed number: its words and the number it gives."""
    drops, degree, ratio = pairs.drops, pairs.degree, pairs.ratio
    others = {kit: np.where(np.abs(worth / degree - 1) > _SAME_KIT, worth, np.nan) for kit, worth in OTHER_KITS.items()}
    slips: dict[str, Floats] = {
        "the sample volume was forgotten": drops * degree,
        "the sample volume was applied twice": drops * degree * ratio**2,
        "the sample volume was applied upside down": drops * degree / ratio,
        "the count was typed as the value": drops,
        **{f"{kit} was used": drops * worth * ratio for kit, worth in others.items()},
        **{f"{kit} was used and the volume forgotten": drops * worth for kit, worth in others.items()},
    }
    given = np.column_stack(list(slips.values()))
    gap = np.abs(given - value[:, None])
    gap = np.where(gap <= np.maximum(0.6, 0.01 * given), gap, np.inf)
    best = gap.argmin(axis=1) if len(value) else np.zeros(0, dtype="int64")
    row = np.arange(len(value))
    return TextColumn(best, tuple(slips)), np.where(np.isfinite(gap[row, best]), given[row, best], np.nan)


@check(
    "drop-resolution",
    title="Enough drops were counted for the value to mean something",
    source="JCGM100",
    limits=KitLimits,
    severity="note",
    unit="drops",
    message="{analyte}: {observed:0} drop(s) of {step:2} mg/L: the water holds between {interval_low:1} "
    "and {interval_high:1} mg/L as CaCO3. Repeat with {suggested_ml:0} mL for finer steps.",
)
def drop_resolution(samples: SampleTable, limits: KitLimits) -> Cases:
    """Name the interval a count of very few drops stands for.

    The true value lies between the last two drops; with one or two drops that is half the value or more,
    and a colour at once means "less than one drop", not zero.

    Parameters
    ----------
    samples : readings of form `drops`.
    limits : ``fewest_drops`` [drops], ``larger_sample`` [-].

    Returns
    -------
    one row per count; `observed` the count, `interval_low`, `interval_high` [mg/L as CaCO3].

    Notes
    -----
    interval = ((n − 1) · step, n · step], never below 0; step = d · Vnominal / Vused: a rectangular
    distribution of one step [JCGM100].
    """
    counted = samples.once(drop_counts)
    drops = counted.drops
    return {
        "place": counted.place,
        "analyte": counted.analyte,
        "observed": drops,
        "low": limits.fewest_drops,
        "high": np.nan,
        "step": counted.step,
        "interval_low": np.maximum(drops - 1, 0) * counted.step,
        "interval_high": np.maximum(drops, 1) * counted.step,
        "suggested_ml": limits.larger_sample * counted.used_ml,
        "alternative": "",
    }
