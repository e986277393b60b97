"""What `retest` needs of one site, gathered from the store: the last pair, the series, what is fitted."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.errors import KettlestoneError
from pipeline.report.client.size import capacity
from pipeline.report.dossier import positive
from pipeline.treat.processes.naming import treatment_meant
from pipeline.treat.processes.treatments import TREATMENTS
from pipeline.treat.sizing.capacity import EQUIVALENTS_PER_UNIT
from pipeline.treat.sizing.size import SizeFacts, size
from pipeline.verify import HistoryFacts, Schedule, Visit
from pipeline.verify.series import PAIR_DAYS, PERMEATE, RAW, TREATED
from pipeline.words import Said
from schemas.columns import OPEN, WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.normalise.sample_table import SampleTable
    from pipeline.store.database import Store
    from pipeline.store.site_records import Site

NONE: Final = "none"
_FOLLOWED: Final = ("alkalinity_mg_l_caco3", "total_hardness_mg_l_caco3")  # shows a worn medium first [CP]


@dataclass(frozen=True)
class SiteCourse:
    """One site, ready to be verified.

    Attributes
    ----------
    site : client and site.
    treatment, settings : what is fitted and how it is set, as far as recorded.
    stated : whether anybody says what is fitted; where not, the treated water is held against untreated water.
    samples, uncertainty : every dated or undated sample of the site, oldest first; index `sample_id`.
    raw, treated : identifiers of the last pair; "" where there is none.
    visit : what is known of that pair.
    facts : changes of the medium, use, capacity.
    """

    site: Site
    treatment: str
    stated: bool
    settings: Mapping[str, float]
    samples: pd.DataFrame
    uncertainty: pd.DataFrame
    raw: str
    treated: str
    visit: Visit
    facts: HistoryFacts


def gather(store: Store, text: str) -> SiteCourse:
    """Gather a site from the store.

    Parameters
    ----------
    store : open.
    text : the site as a person names it.

    Raises
    ------
    KettlestoneError : no such site, no sample behind a treatment, or what is fitted is no treatment that is known.
    """
    from pipeline.store import site_records  # noqa: PLC0415 - duckdb is not needed by the other reports

    return gather_site(store, site_records.find_site(store, text))


def gather_site(store: Store, site: Site) -> SiteCourse:
    """Gather a site that was found already; see `gather`."""
    from pipeline.store import registers, site_records  # noqa: PLC0415 - duckdb is not needed by the other reports
    from pipeline.store.table import sample_table  # noqa: PLC0415 - same

    wide = site_records.site_samples(store, site)
    wide = wide[wide["stage"].isin([*RAW, *TREATED, *PERMEATE])].set_index("sample_id")
    if not wide["stage"].isin([*TREATED, *PERMEATE]).any():
        raise KettlestoneError(
            f"{site.name}: the store has no sample from behind a treatment.\n  Nothing was verified.\n"
            "  Import a raw and a treated sample of one visit."
        )
    table = sample_table(store, [str(name) for name in wide.index])
    value, spread = _with_limits(table)
    samples = value.join(wide[["label", "stage", "collected_at", "current_verdict", "counter_litres"]])
    fitted = registers.of_site(registers.entries(store, "treatment"), site.site, site.client)
    registered = registers.of_site(registers.entries(store, "site"), site.site, site.client)
    raw, treated = last_pair(samples)
    written = _first_said(
        _column(fitted, "treatment"), _own(wide, treated, "treatment"), _column(registered, "treatment")
    )
    treatment = named(written, site) if written else NONE
    last = {} if fitted.empty else {str(name): str(value) for name, value in fitted.iloc[-1].items()}
    share = _number(_first_said(_own(wide, treated, "bypass_percent"), last.get("bypass_percent", ""))) / 100
    possible = _has_bypass(treatment) and 0.0 <= share <= 1.0  # NaN is not; an impossible one was told when it was read
    use = positive(_first_said(_own(wide, treated, "litres_per_day"), last.get("litres_per_day", ""),
                              _column(registered, "litres_per_day")))  # fmt: skip
    facts = _facts(fitted, treatment, last, use)
    course = SiteCourse(
        site=site,
        treatment=treatment,
        stated=bool(written),
        settings={"bypass": share} if possible else {},
        samples=samples,
        uncertainty=spread,
        raw=raw,
        treated=treated,
        visit=Visit(),
        facts=facts,
    )
    return _with_visit(course, last)


def _with_limits(table: SampleTable) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Let a reading below its limit stand in the middle of what it may be: from 0 to the limit."""
    value, spread = table.filled[WIDE_COLUMNS], table.uncertainty[WIDE_COLUMNS]
    half = table.high[WIDE_COLUMNS] / 2
    censored = value.isna() & (table.low[WIDE_COLUMNS] == 0) & half.notna()
    return value.mask(censored, half), spread.mask(censored, half)


def last_pair(samples: pd.DataFrame) -> tuple[str, str]:
    """Find the last treated sample and the raw sample of the same visit.

    Parameters
    ----------
    samples : `stage collected_at`, index `sample_id`, oldest first.

    Returns
    -------
    raw, treated : identifiers; "" where there is none. A blend is preferred to the permeate of its visit.
    """
    dated = samples[samples["collected_at"].notna()]
    raw = dated[dated["stage"].isin(RAW)]
    for name in reversed([str(found) for found in _behind(dated).index]):
        gap = (raw["collected_at"] - dated["collected_at"][name]).abs()
        near = gap[gap <= pd.Timedelta(days=PAIR_DAYS)]
        if len(near):
            return str(near.idxmin()), name
    behind = _behind(samples)
    return "", str(behind.index[-1]) if len(behind) else ""


def later_reading(course: SiteCourse) -> tuple[Said, ...]:
    """Name the reading behind the treatment that is younger than the pair and has no raw water beside it.

    Returns
    -------
    what was read then and now, and that it has risen where it did by more than both readings can be off; else nothing.
    """
    samples = course.samples[course.samples["collected_at"].notna()]
    behind = samples[samples["stage"].isin(TREATED) & ~samples["current_verdict"].isin(OPEN)]
    if not course.raw or behind.empty or course.treated not in behind.index:
        return ()
    last = str(behind.index[-1])
    known = [name for name in _FOLLOWED if behind.loc[[course.treated, last], name].notna().all()]
    if behind["collected_at"][last] <= behind["collected_at"][course.treated] or not known:
        return ()
    name = known[0]
    then, now = (float(behind[name].astype("float64")[sample]) for sample in (course.treated, last))
    off = math.hypot(*(float(course.uncertainty[name].fillna(0.0)[sample]) for sample in (course.treated, last)))
    values = {"label": str(behind["label"][last]), "date": pd.Timestamp(behind["collected_at"][last]).normalize(),
              "name": Said(f"verify.name.{name}"), "now": now, "then": then}  # fmt: skip
    return (Said("verify.later", values), *((Said("verify.later_up"),) if now - then > off else ()))


def fullest_pair(samples: pd.DataFrame, changes: tuple[pd.Timestamp, ...]) -> tuple[str, str] | None:
    """Find the pair in which the medium in use took out most: what it does while it is fresh.

    A used-up medium takes out little; its life must not be worked out from that, or it looks long.

    Parameters
    ----------
    samples : as for `last_pair`, with canonical columns.
    changes : days on which the medium was changed.

    Returns
    -------
    raw, treated : identifiers of one visit; None where no visit has both hardness and alkalinity.
    """
    waters = samples[samples["collected_at"].notna()].sort_values("collected_at", kind="stable")
    salts = waters[["total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]].astype("float64").sum(axis=1, skipna=False)
    named = waters.assign(salts=salts, name=waters.index)[["collected_at", "stage", "salts", "name"]]
    behind = named[named["stage"].isin(TREATED) & (named["collected_at"] >= max(changes, default=pd.Timestamp.min))]
    pairs = pd.merge_asof(
        behind,
        named[named["stage"].isin(RAW)],
        on="collected_at",
        direction="nearest",
        tolerance=pd.Timedelta(days=PAIR_DAYS),
        suffixes=("", "_raw"),
    )
    took = (pairs["salts_raw"] - pairs["salts"]).dropna()
    if took.empty:
        return None
    best = int(took.to_numpy().argmax())
    names = pairs.loc[took.index, ["name_raw", "name"]].astype("str").to_numpy()[best]
    return str(names[0]), str(names[1])


def _behind(samples: pd.DataFrame) -> pd.DataFrame:
    """Order what lies behind a treatment by day, the permeate before the blend of the same day."""
    behind = samples[samples["stage"].isin([*TREATED, *PERMEATE])]
    day, blended = behind["collected_at"].dt.floor("D"), behind["stage"].isin(TREATED)
    order = behind.assign(day=day, blended=blended).sort_values(["day", "blended"], kind="stable", na_position="first")
    return order.drop(columns=["day", "blended"])


def named(written: str, site: Site) -> str:
    """Name the treatment of the register that a text means.

    Raises
    ------
    KettlestoneError : it means none.
    """
    found = treatment_meant(written)
    if found:
        return found
    raise KettlestoneError(
        f'{site.name}: "{written}" is no treatment that is known.\n'
        f"  Nothing was verified.\n"
        f'  Enter it with kettlestone treatment set "{site.name}" --treatment NAME --by … --why …;\n'
        f"  names: {', '.join(TREATMENTS)}."
    )


def _with_visit(course: SiteCourse, last: Mapping[str, str]) -> SiteCourse:
    treated, samples = course.treated, course.samples
    pair = [name for name in (course.raw, treated) if name]
    when = samples["collected_at"][treated]
    counter = float(samples["counter_litres"].astype("float64")[treated])
    life = _life_litres(course, last)
    facts = replace(course.facts, life_litres=life)
    changed = max((day for day in facts.changes if pd.notna(when) and day <= when), default=None)
    since = samples[samples["stage"].isin([*TREATED, *PERMEATE]) & samples["collected_at"].notna()]["collected_at"]
    tests = int((since >= changed).sum()) if changed is not None else len(since)
    schedule = Schedule(
        tested_on=None if pd.isna(when) else pd.Timestamp(when).normalize(),
        changed_on=changed,
        tests_since=max(tests, 1),
        life_days=life / facts.litres_per_day if facts.litres_per_day > 0 else math.nan,
    )
    permeate, baseline = _membrane(course)
    visit = Visit(
        permeate=permeate,
        permeate_baseline=baseline,
        used=counter / life if life > 0 else math.nan,
        before_blending=str(samples["stage"][treated]) in PERMEATE,
        on_hold=bool(samples.loc[pair, "current_verdict"].isin(OPEN).any()),
        schedule=schedule,
    )
    return replace(course, visit=visit, facts=facts)


def _membrane(course: SiteCourse) -> tuple[pd.Series | None, float]:
    """Find the permeate of the visit, and what earlier ones let through."""
    if course.treatment != "reverse osmosis" or not course.raw:
        return None, math.nan
    samples = course.samples[course.samples["collected_at"].notna()]
    own = samples[samples["stage"].isin(PERMEATE)]
    when = course.samples["collected_at"][course.treated]
    near = (own["collected_at"] - when).abs() <= pd.Timedelta(days=PAIR_DAYS)
    name = "conductivity_us_cm_25c"
    feed = float(samples.loc[samples["stage"].isin(RAW), name].median())
    earlier = float(own.loc[~near, name].median()) / feed if (~near).any() and feed > 0 else math.nan
    return (own[near][WIDE_COLUMNS].iloc[-1] if near.any() else None), earlier


def _facts(fitted: pd.DataFrame, treatment: str, last: Mapping[str, str], use: float) -> HistoryFacts:
    """Read cartridge changes, use and capacity out of the register."""
    own = [treatment_meant(text) == treatment for text in _texts(fitted, "treatment")]
    rows = fitted if fitted.empty else fitted[own]
    days = pd.to_datetime(_texts(rows, "installed_on"), format="ISO8601", errors="coerce")
    number, unit = capacity(last)
    return HistoryFacts(
        changes=tuple(sorted({pd.Timestamp(day) for day in days if pd.notna(day)})),
        litres_per_day=use,
        capacity_eq=number * EQUIVALENTS_PER_UNIT.get(unit, math.nan),
    )


def _life_litres(course: SiteCourse, last: Mapping[str, str]) -> float:
    """Work out the rated life from the capacity and what the medium took out fresh; missing where it cannot be."""
    number, unit = capacity(last)
    if not course.raw or math.isnan(number):
        return math.nan
    waters = course.samples[WIDE_COLUMNS]
    raw, treated = fullest_pair(course.samples, course.facts.changes) or (course.raw, course.treated)
    try:
        found = size(waters.loc[[raw]], waters.loc[[treated]], course.treatment,
                     SizeFacts(capacity=number, capacity_unit=unit))  # fmt: skip
    except KettlestoneError:
        return math.nan  # the readings do not give the load; the table of the retest says which is missing
    return found.litres.value


def _has_bypass(treatment: str) -> bool:
    return any(setting.name == "bypass" for setting in TREATMENTS[treatment].settings)


def _texts(rows: pd.DataFrame, name: str) -> pd.Series:
    return rows[name].astype("str") if name in rows else pd.Series(dtype="str")


def _column(rows: pd.DataFrame, name: str) -> str:
    """Take the last thing a register says."""
    said = [text for text in _texts(rows, name) if text.strip()]
    return said[-1] if said else ""


def _own(wide: pd.DataFrame, sample_id: str, name: str) -> str:
    value = wide[name][sample_id] if sample_id else ""
    return "" if pd.isna(value) else str(value)


def _first_said(*texts: str) -> str:
    return next((text for text in texts if text.strip()), "")


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return math.nan
