"""Is this record its own? Copied rows, re-issued reports, statements of a utility, mixed-up samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import coincidence, evidence, record
from pipeline.checks.columns import either, stacked_cases, taken, worded
from pipeline.checks.registry import check
from pipeline.texts import TextColumn, numbered

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Flags, Floats, Places
    from pipeline.checks.columns import CaseColumn, Cases
    from pipeline.normalise.sample_table import SampleTable


@dataclass(frozen=True)
class IdentityLimits:
    """Limits of the identity checks; common practice of the trade [CP]."""

    tie_weight: float = 2.5  # three finely read quantities, or TH + ALK by drops, EC and pH [CP]
    chance: float = 1e-8  # rarer than this, equal figures of two visits are no coincidence [CP]
    chance_one_day: float = 2e-3  # the same of two sites on one day, where a row is copied within a sheet [CP]
    chance_elsewhere: float = 1e-5  # of two sites on different days, where that is rare [CP]
    visit_spread: float = 0.03  # of a figure between visits to a steady water, one standard deviation [CP]
    visit_spread_ph: float = 0.1  # the same of pH [CP]
    chance_visit: float = 1e-5  # the same of all bottles of a visit together, with its temperatures [CP]
    visit_spread_temperature: float = 2.0  # °C, of a tap between visits, read to a degree [CP]
    printed_sites: int = 3  # the same analysis at as many sites or points on one day was printed, not copied [CP]
    printed_share: float = (
        0.2  # of a file's analyses: so many are printed for several places, then all of them are [CP]
    )
    window_days: float = 400.0  # a row is copied from the last visits, and not from years ago [CP]


# How much an exact tie says: a drop count and a pH with one decimal tie by chance, a label always does.
_COMPARED: Final[list[str]] = [
    "ph",
    "conductivity_us_cm_25c",
    "tds_mg_l",
    "total_hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "calcium_mg_l",
    "magnesium_mg_l",
    "sodium_mg_l",
    "potassium_mg_l",
    "bicarbonate_mg_l",
    "chloride_mg_l",
    "sulfate_mg_l",
    "nitrate_mg_l",
    "silica_mg_l",
]
_WEIGHT: Final[dict[str, float]] = {"drops": 0.5, "typed": 0.5, "strip": 0.0, "label": 0.0, "calculated": 0.0}
_PH_WEIGHT: Final = 0.5
_ON_SITE: Final = ("drops", "strip", "typed", "burette", "meter", "photometer")


@check(
    "copied-reading",
    title="Each record was measured, not copied",
    source="CP",
    limits=IdentityLimits,
    severity="hold",
    unit="records",
    message="{observed:0} records carry exactly the same {compared:0} values: {alternative} "
    "({other} {same_as}, {same_day}).",
)
def copied_reading(samples: SampleTable, limits: IdentityLimits) -> Cases:
    """Find records that agree in every figure.

    The previous row filled in again agrees to the last digit. So do, now and then, two honest visits to a
    steady water, for drops, pH and conductivity come in steps: how likely that is decides.

    Parameters
    ----------
    samples : all main quantities and their methods; `client site sampling_point collected_at activity`.
    limits : see ``IdentityLimits``.

    Returns
    -------
    one row per sample with enough to compare (`observed` records with these values), and one row per
    source for an analysis printed at many sites (`sample_id` missing).

    Notes
    -----
    A tie in a finely read quantity counts 1, in a drop count or a pH 0.5, in a strip or a label 0; 2.5 is
    needed [CP]. Compared are the records of one client (of a file that names none: of that file) that lie no more
    than 400 days apart, one after the other, and those of one file on one day. Same point and day: a double entry,
    note. Three sites or more on one day, or three points of one stage, or analyses of a laboratory in a file that
    prints a fifth of them for several places: one analysis printed for a zone, one note for the source. One site on
    different days: a note, unless the figures were read so finely that chance gives them less than once in a hundred
    million pairs of visits (``coincidence.chance``), or all bottles of a visit together, or a bottle with its
    temperature, less than once in a hundred thousand: hold. Two sites: a note, unless one supply would give the tie
    less than once in 500 pairs on one day, where rows are copied within a sheet, or once in a hundred thousand on
    different days: hold. Anything else: hold. Of records of different days the first is the original: a note. Blanks,
    standards and duplicates are left out.
    """
    heavy = samples.fact("activity").isin(["", "routine"]) & (_tie_weight(samples) >= limits.tie_weight)
    values = samples.measured[_COMPARED].to_numpy()[heavy]
    at = np.flatnonzero(heavy)
    of_client = _alike(samples, at, values, samples.fact("client"), limits.window_days)
    of_sheet = _alike(samples, at, values, samples.fact("file_sha256"), 0.5)
    apart = np.bincount(of_client, minlength=1)[of_client] <= 1
    group = np.where(apart, len(at) + of_sheet, of_client)
    tied = np.bincount(group, minlength=1)[group] > 1
    place = np.flatnonzero(heavy)[tied]
    ties = _ties(samples, place, pd.factorize(group[tied])[0])
    visits = (ties.days > 1) | (ties.sites > 1)
    once_in = np.full(len(place), np.nan)
    if visits.any():
        chosen = np.zeros(len(samples), dtype="bool")
        chosen[place[visits]] = True
        mine = samples.where(pd.Series(chosen, index=samples.about.index))
        once_in[visits] = _one_figure(
            1 / coincidence.chance(mine, _COMPARED, limits.visit_spread, limits.visit_spread_ph)
        )
    once_in, whole = _whole_visits(samples, ties, once_in, limits)
    compared = (~np.isnan(values[tied])).sum(axis=1)
    printed = _printed(samples, ties, heavy, limits)
    found = _judged_ties(samples, ties, printed, compared, (once_in, whole), limits)
    told = {name: taken(column, np.flatnonzero(~printed)) for name, column in found.items()}
    first = np.flatnonzero(printed & ties.first)
    file = samples.fact("file_sha256").take(place[first])
    once = {**{name: taken(column, first) for name, column in found.items()}, "file_sha256": file}
    places = np.append(place[~printed], np.full(len(first), -1))
    return {**stacked_cases(told, once), "place": places, "evaluated": heavy}


def _alike(samples: SampleTable, place: Places, values: Floats, within: TextColumn, days: float) -> Places:
    """Give the records at some places the number of those with the same values, of one owner and of one time."""
    owner = within.take(place).otherwise(samples.fact("file_sha256").take(place))
    figures, different = pd.factorize(pd.util.hash_pandas_object(pd.DataFrame(values), index=False).to_numpy())
    group = numbered([(figures, len(different)), owner])
    when = samples.once(record.instants, "collected_at")[place]
    day = np.where(np.isnat(when), -np.inf, when.astype("datetime64[D]").astype("float64"))
    order = np.lexsort((day, group))
    with np.errstate(invalid="ignore"):
        apart = np.diff(day[order]) > days
    begins = np.append(False, (np.diff(group[order]) != 0) | (apart & np.isfinite(day[order][:-1])))[: len(order)]
    numbers = np.zeros(len(place), dtype="int64")
    numbers[order] = np.cumsum(begins)
    return numbers


def _printed(samples: SampleTable, ties: _Ties, heavy: Flags, limits: IdentityLimits) -> Flags:
    """Tell the records that one analysis was printed for: a supply zone, and its addresses."""
    one_day = (ties.days <= 1) & (ties.places > 1)
    several = one_day & (ties.sites >= limits.printed_sites)
    several |= one_day & (ties.stages <= 1) & (ties.places >= limits.printed_sites)
    file = samples.fact("file_sha256").codes
    size = np.bincount(file[heavy], minlength=int(file.max(initial=0)) + 1)
    shared = np.bincount(file[ties.place[one_day & ties.laboratory]], minlength=len(size))
    listed = (shared >= limits.printed_share * size) & (shared >= 2 * limits.printed_sites)
    return np.asarray(several | (one_day & ties.laboratory & listed[file[ties.place]]), dtype="bool")


def _whole_visits(samples: SampleTable, ties: _Ties, once_in: Floats, limits: IdentityLimits) -> tuple[Floats, Flags]:
    """Multiply the chances of the bottles of a visit that all repeat one other visit, and of equal temperatures.

    Returns
    -------
    once in how many pairs of visits that comes by chance, and which records belong to such a visit.
    """
    day = samples.once(record.instants, "collected_at").astype("datetime64[D]").astype("int64")
    site = numbered([samples.fact("client"), samples.fact("site")])
    point = numbered([samples.fact("sampling_point"), samples.fact("stage")])
    again = (ties.sites <= 1) & (ties.days > 1) & ~np.isnan(once_in)
    key = np.column_stack([site[ties.place], day[ties.place], day[ties.other]])
    visit = np.unique(key, axis=0, return_inverse=True)[1].ravel()
    visit = np.where(again, visit, len(visit) + np.arange(len(visit)))
    warm = samples.measured["temperature_c"].to_numpy()
    as_warm = warm[ties.place] == warm[ties.other]
    whole = again & (as_warm | (_distinct(visit, point[ties.place], again) > 1))
    steps = 2.0 * np.sqrt(np.pi) * limits.visit_spread_temperature
    times = once_in * np.where(as_warm, steps, 1.0)
    together = np.exp(np.bincount(visit[whole], np.log(times[whole]), minlength=int(visit.max(initial=0)) + 1))[visit]
    return np.where(whole, _one_figure(np.where(whole, together, 1.0)), once_in), whole


def _one_figure(numbers: Floats) -> Floats:
    """Keep one digit: an estimate of a coincidence has no more."""
    size: Floats = 10.0 ** np.floor(np.log10(numbers))
    kept: Floats = np.round(numbers / size) * size
    return kept


@dataclass(frozen=True)
class _Ties:
    """Records with equal figures, (k,) each: position, how many carry the figures, and of how many origins.

    ``stages`` counts the different stages, ``laboratory`` tells those that nobody counted or read off a meter;
    ``first`` tells the first record of each group, ``other`` is the position of the first one of the others,
    ``original`` tells those of the first day where there are later ones: what was written later was copied.
    """

    place: Places
    size: Floats
    sites: Floats
    days: Floats
    places: Floats
    stages: Floats
    laboratory: Flags
    first: Flags
    other: Places
    original: Flags


def _ties(samples: SampleTable, place: Places, group: Places) -> _Ties:
    where = numbered([samples.fact("client"), samples.fact("site")])
    point = numbered([samples.fact(name) for name in ("client", "site", "sampling_point", "stage")])
    day = samples.once(record.instants, "collected_at").astype("datetime64[D]")[place]
    order = np.argsort(group, kind="stable")
    start = np.flatnonzero(np.append(True, np.diff(group[order]) != 0)[: len(order)])
    first = np.zeros(len(group), dtype="bool")
    first[order[start]] = True
    number = np.where(np.isnat(day), np.iinfo("int64").min, day.astype("int64"))
    earliest, latest = np.minimum.reduceat(number[order], start), np.maximum.reduceat(number[order], start)
    return _Ties(
        place=place,
        size=np.bincount(group, minlength=1)[group].astype("float64"),
        sites=_distinct(group, where[place], np.ones(len(group), dtype="bool")),
        days=_distinct(group, day.astype("int64"), ~np.isnat(day)),
        places=_distinct(group, point[place], np.ones(len(group), dtype="bool")),
        stages=_distinct(group, samples.fact("stage").codes[place], np.ones(len(group), dtype="bool")),
        laboratory=_of_laboratory(samples)[place],
        first=first,
        other=place[np.where(first, order[start + 1][group], order[start][group])],
        original=~np.isnat(day) & (number == earliest[group]) & (number < latest[group]),
    )


def _of_laboratory(samples: SampleTable) -> Flags:
    counted = np.zeros(len(samples), dtype="bool")
    for column in _COMPARED:
        counted |= evidence.obtained(samples, column, *_ON_SITE)
    return ~counted


def _distinct(group: Places, code: Places, known: Flags) -> Floats:
    """Count the different codes of each row's group."""
    pairs = np.unique(np.column_stack([group[known], code[known]]), axis=0)
    return np.bincount(pairs[:, 0], minlength=int(group.max(initial=0)) + 1)[group].astype("float64")


def _tie_weight(samples: SampleTable) -> np.ndarray:
    weight = np.zeros(len(samples))
    for column in _COMPARED:
        codes = samples.method[column].cat.codes.to_numpy()
        by_code = np.array([_WEIGHT.get(str(name), 1.0) for name in samples.method[column].cat.categories] + [0.0])
        known = ~np.isnan(samples.measured[column].to_numpy())
        weight += np.where(known, by_code[codes], 0.0) * (_PH_WEIGHT if column == "ph" else 1.0)
    return weight


def _judged_ties(
    samples: SampleTable,
    ties: _Ties,
    printed: Flags,
    compared: Places,
    visits: tuple[Floats, Flags],
    limits: IdentityLimits,
) -> dict[str, CaseColumn]:
    count = len(ties.place)
    once_in, whole = visits
    one_day = ties.days <= 1
    double = one_day & (ties.places == 1)
    rarest = np.select(
        [whole, ties.sites <= 1, one_day],
        [limits.chance_visit, limits.chance, limits.chance_one_day],
        default=limits.chance_elsewhere,
    )
    chance = once_in <= 1 / rarest
    original = ties.original & ~chance
    words = {
        "a row may have been copied, ask for the original sheet": np.ones(count, dtype="bool"),
        "the whole visit repeats another one; ask for the original sheet": whole,
        "one steady water read in steps as coarse gives that about once in {once_in} pairs of visits, "
        "a copied row always": chance,
        "a later record repeats this one: that one is in question": original,
        "a double entry, count it once": double,
        "the same analysis is printed for several addresses, it counts once": printed,
    }
    other = samples.about.iloc[ties.other]
    site = record.as_texts(other, "client") + " " + record.as_texts(other, "site")
    return {
        "observed": ties.size,
        "severity": either(printed | double | chance | original, "note", "hold"),
        "compared": compared.astype("float64"),
        "alternative": worded(count, {"once_in": once_in}, words),
        "other": either(ties.size > 2, "one of the others:", "the other one:"),  # noqa: PLR2004 - a pair
        "same_as": (record.names_of(other) + ", " + site.str.strip()).str.removesuffix(", "),
        "same_day": _day(samples.once(record.instants, "collected_at")[ties.other]),
        "once_in": once_in,
        "low": np.nan,
        "high": 1.0,
    }


def _day(moments: record.Instants) -> npt.NDArray[np.object_]:
    return np.where(np.isnat(moments), "day not known", record.dates(moments))


@check(
    "report-revision",
    title="A report was issued once, or its later issue says what it replaces",
    source="CP",
    severity="hold",
    unit="reports",
    message="{observed:0} reports give this sample different values ({detail}). {alternative}.",
)
def report_revision(samples: SampleTable) -> Cases:
    """Hold a sample whose laboratory values were issued again with other numbers.

    Both issues stay in the store; which one counts is for a person to say, not for the date of the file.

    Parameters
    ----------
    samples : `revisions`, the number of reports that differ, and `revision_detail` in words.

    Returns
    -------
    one row per sample; `observed` the number of differing reports.

    Notes
    -----
    A report that names the one it replaces settles the matter and is not a finding [CP].
    """
    return {
        "observed": record.as_numbers(samples.about, "revisions").to_numpy(),
        "low": np.nan,
        "high": 0.0,
        "detail": samples.fact("revision_detail"),
        "alternative": "Decide which report counts",
    }
