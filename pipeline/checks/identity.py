"""Is this record its own? Copied rows, re-issued reports, statements of a utility, mixed-up samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import coincidence, record
from pipeline.checks.registry import check

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.checks.limits import Limits
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
    printed_sites: int = 3  # the same analysis at as many sites on one day was printed, not copied [CP]


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


@check(
    "copied-reading",
    title="Each record was measured, not copied",
    source="CP",
    severity="hold",
    unit="records",
    message="{observed:0} records carry exactly the same {compared:0} values: {alternative} "
    "({other} {same_as}, {same_site}, {same_day}).",
)
def copied_reading(samples: SampleTable, limits: Limits) -> pd.DataFrame:
    """Find records that agree in every figure.

    The previous row filled in again agrees to the last digit. So do, now and then, two honest visits to a
    steady water, for drops, pH and conductivity come in steps: how likely that is decides.

    Parameters
    ----------
    samples : all main quantities and their methods; `client site sampling_point collected_at activity`.
    limits : ``identity``.

    Returns
    -------
    one row per sample with enough to compare (`observed` records with these values), and one row per
    source for an analysis printed at many sites (`sample_id` missing).

    Notes
    -----
    A tie in a finely read quantity counts 1, in a drop count or a pH 0.5, in a strip or a label 0; 2.5 is
    needed [CP]. Same point and day: a double entry, note. Three sites or more on one day: one analysis
    printed for a zone, one note for the source. One site on different days: a note, unless the figures
    were read so finely that chance gives them less than once in a hundred million pairs of visits
    (``coincidence.chance``): hold. Two sites: a note, unless one supply would give the tie less than once in
    500 pairs on one day, where rows are copied within a sheet, or once in a hundred thousand on different
    days: hold. Anything else: hold. Blanks, standards and duplicates are left out.
    """
    routine = record.text(samples.about, "activity").isin(["", "routine"]).to_numpy()
    heavy = routine & (_tie_weight(samples) >= limits.identity.tie_weight)
    values = samples.measured.loc[heavy, _COMPARED]
    about = samples.about[heavy]
    group, _ = pd.factorize(pd.util.hash_pandas_object(values, index=False))
    tied = np.bincount(group, minlength=1)[group] > 1
    judged = about.index
    values, about, group = values[tied], about[tied], group[tied]
    table = pd.DataFrame(
        {
            "group": group,
            "label": record.text(about, "label"),
            "site": record.text(about, "client") + " " + record.text(about, "site"),
            "point": record.text(about, "sampling_point") + " " + record.text(about, "stage"),
            "day": record.moment(about, "collected_at").dt.floor("D"),
            "file_sha256": record.text(about, "file_sha256"),
            "compared": values.notna().sum(axis=1).astype("float64"),
        }
    )
    bounds = limits.identity
    visits = _repeat_visits(table)
    once_in = np.full(len(table), np.nan)
    if visits.any():
        mine = samples.where(pd.Series(samples.about.index.isin(values.index[visits]), index=samples.about.index))
        chance = coincidence.chance(mine, _COMPARED, bounds.visit_spread, bounds.visit_spread_ph)
        once_in[visits] = _rough(1 / chance)
    found = _judged_ties(table.assign(once_in=once_in), bounds)
    return record.with_passing(found, judged)


def _rough(numbers: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Keep one digit: an estimate of a coincidence has no more."""
    size: npt.NDArray[np.float64] = 10.0 ** np.floor(np.log10(numbers))
    kept: npt.NDArray[np.float64] = np.round(numbers / size) * size
    return kept


def _repeat_visits(several: pd.DataFrame) -> np.ndarray:
    """Tell which records agree with one of another day or of another site."""
    groups = several.groupby("group")
    return ((groups["day"].transform("nunique") > 1) | (groups["site"].transform("nunique") > 1)).to_numpy(dtype="bool")


def _tie_weight(samples: SampleTable) -> np.ndarray:
    weight = np.zeros(len(samples))
    for column in _COMPARED:
        codes = samples.method[column].cat.codes.to_numpy()
        by_code = np.array([_WEIGHT.get(str(name), 1.0) for name in samples.method[column].cat.categories] + [0.0])
        known = samples.measured[column].notna().to_numpy()
        weight += np.where(known, by_code[codes], 0.0) * (_PH_WEIGHT if column == "ph" else 1.0)
    return weight


def _judged_ties(several: pd.DataFrame, bounds: IdentityLimits) -> pd.DataFrame:
    size = np.bincount(several["group"], minlength=1)[several["group"]].astype("float64")
    groups = several.groupby("group")
    place = several["site"] + "|" + several["point"]
    sites, days = groups["site"].transform("nunique"), groups["day"].transform("nunique")
    places = place.groupby(several["group"]).transform("nunique")
    one_day = days <= 1
    printed = one_day & (sites >= bounds.printed_sites)
    double = one_day & (places == 1)
    rarest = np.select([sites <= 1, one_day], [bounds.chance, bounds.chance_one_day], default=bounds.chance_elsewhere)
    chance = several["once_in"] <= 1 / rarest
    words: dict[str, pd.Series | np.ndarray] = {
        "a row may have been copied, ask for the original sheet": np.ones(len(several), dtype="bool"),
        "one steady water read in steps as coarse gives that about once in {once_in} pairs of visits, "
        "a copied row always": chance,
        "a double entry, count it once": double,
        "the same analysis is printed for several addresses, it counts once": printed,
    }
    other = groups.nth(0).set_index("group").reindex(several["group"])
    second = groups.nth(1).set_index("group").reindex(several["group"])
    is_first = ~several["group"].duplicated().to_numpy()
    for name in ("label", "site", "day"):
        other[name] = other[name].where(~is_first, second[name])
    found = pd.DataFrame(
        {
            "sample_id": several.index,
            "file_sha256": several["file_sha256"].to_numpy(),
            "observed": size,
            "severity": np.where(printed | double | chance, "note", "hold"),
            "compared": several["compared"].to_numpy(),
            "alternative": record.worded(several, words).to_numpy(),
            "other": np.where(size > 2, "one of the others:", "the other one:"),  # noqa: PLR2004 - a pair
            "same_as": other["label"].to_numpy(),
            "same_site": other["site"].str.strip().to_numpy(),
            "same_day": _day(other["day"]),
            "once_in": several["once_in"].to_numpy(),
            "low": np.nan,
            "high": 1.0,
        }
    )
    whole = found[printed.to_numpy() & is_first].assign(sample_id=None)
    found = found[~printed.to_numpy()].drop(columns="file_sha256")
    return pd.concat([found, whole], ignore_index=True)


def _day(moments: pd.Series) -> np.ndarray:
    plain = moments.dt.tz_localize(None) if moments.dt.tz is not None else moments
    days = np.datetime_as_string(plain.to_numpy(dtype="datetime64[s]"), unit="D").astype(object)
    return np.where(moments.isna(), "day not known", days)


@check(
    "report-revision",
    title="A report was issued once, or its later issue says what it replaces",
    source="CP",
    severity="hold",
    unit="reports",
    message="{observed:0} reports give this sample different values ({detail}). {alternative}.",
)
def report_revision(samples: SampleTable, limits: Limits) -> pd.DataFrame:  # noqa: ARG001 -- no limit to set
    """Hold a sample whose laboratory values were issued again with other numbers.

    Both issues stay in the store; which one counts is for a person to say, not for the date of the file.

    Parameters
    ----------
    samples : `revisions`, the number of reports that differ, and `revision_detail` in words.
    limits : none used.

    Returns
    -------
    one row per sample; `observed` the number of differing reports.

    Notes
    -----
    A report that names the one it replaces settles the matter and is not a finding [CP].
    """
    return pd.DataFrame(
        {
            "observed": record.number(samples.about, "revisions"),
            "low": np.nan,
            "high": 0.0,
            "detail": record.text(samples.about, "revision_detail"),
            "alternative": "Decide which report counts",
        }
    )
