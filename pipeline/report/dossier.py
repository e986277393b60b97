"""What advice and client report need of one site, gathered from the store."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.assess.hardness_classes import country_codes
from pipeline.assess.machines import METALS, NOT_KNOWN, known_machines, named_metals, recognise
from pipeline.treat.choosing.case import drain_of
from pipeline.treat.processes.naming import treatment_meant
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.assess.machines import Machine
    from pipeline.normalise.sample_table import SampleTable
    from pipeline.store.database import Store
    from pipeline.store.site_records import Site

HARDNESS: Final = "total_hardness_mg_l_caco3"
ALKALINITY: Final = "alkalinity_mg_l_caco3"
# In the order of preference; a record that names no stage is taken as of the tap.
_BEFORE: Final = (("raw",), ("",), ("machine_inlet",))
KEEPS_MINERALS: Final = ("none", "", "carbon")  # with these fitted the machine gets the water of the tap
_AFTER: Final = (("treated", "machine_inlet"), ("permeate",))
# What an earlier report of the same water may lend a kit reading; hardness and alkalinity never.
LENT: Final = (
    "chloride_mg_l",
    "sodium_mg_l",
    "sulfate_mg_l",
    "nitrate_mg_l",
    "potassium_mg_l",
    "silica_mg_l",
    "iron_mg_l",
    "manganese_mg_l",
)
# What another reading of the same day and water may lend as well.
LENT_SAME_DAY: Final = ("conductivity_us_cm_25c", "tds_mg_l", "ph")
_BOILER: Final = re.compile(r"boiler|kessel|chaudière|caldaia|caldera|ketel|thermoblo", re.IGNORECASE)
_ONE_DAY: Final = pd.Timedelta(days=1)
_SAME_WATER: Final = 0.15  # hardness and alkalinity of two visits to one water differ by no more [CP]


@dataclass(frozen=True)
class Visit:
    """One sample of the site.

    Attributes
    ----------
    sample_id, label, stage : as stored.
    day : when it was taken, NaT where not known.
    samples : the filled table of this one sample.
    findings : its findings in force.
    verdict : after the decisions in force.
    batch_id : the batch that last checked it.
    """

    sample_id: str
    label: str
    stage: str
    day: pd.Timestamp
    samples: SampleTable
    findings: pd.DataFrame
    verdict: str
    batch_id: str = ""

    @property
    def held(self) -> bool:
        """Say whether a person has to answer before the sample is used."""
        return self.verdict in OPEN

    @property
    def decides(self) -> bool:
        """Say whether hardness and alkalinity are there."""
        return self.knows(HARDNESS) and self.knows(ALKALINITY)

    def about(self, name: str) -> str:
        """Give a fact of the record as text, "" where it is not there."""
        value = self.samples.about[name].iloc[0] if name in self.samples.about else ""
        return "" if pd.isna(value) else str(value).strip()

    def knows(self, column: str) -> bool:
        """Say whether there is a reading, or a limit it lies below."""
        return bool(self.samples.filled[column].notna().iloc[0] or self.samples.high[column].notna().iloc[0])


@dataclass(frozen=True)
class Dossier:
    """One site: its water before and after treatment, its machine, and what is waiting for an answer.

    Attributes
    ----------
    site : client and site.
    country : ISO 3166 code, "" where not known.
    supply, treatment : kind of supply as written; kind of treatment, "none" where nothing is fitted and
        "" where nobody says.
    machine, machine_text : the profile, and what the register calls it.
    litres_per_day : missing where not known.
    register : the row of the treatments' register in force.
    raw, treated : the latest usable sample before and after treatment, or None; ``raw`` is the latest on
        hold where no sample is usable, else the latest that lacks hardness or alkalinity.
    earlier : the usable raw sample before ``raw``.
    lent : column -> the sample that lent it to ``raw``.
    held : further samples on hold that are not older than ``raw``, the latest first.
    bottled : bottled waters, view `v_sample`.
    pair : the raw sample of the day of ``treated``.
    drain : whether a drain is near the machine, None where nobody says.
    """

    site: Site
    country: str
    supply: str
    treatment: str
    machine: Machine
    machine_text: str
    litres_per_day: float
    register: Mapping[str, str]
    raw: Visit | None
    treated: Visit | None
    earlier: Visit | None
    lent: Mapping[str, Visit]
    held: tuple[Visit, ...]
    bottled: pd.DataFrame
    pair: Visit | None
    drain: bool | None

    @property
    def written_unit(self) -> str:
        """Give the unit the hardness of ``raw`` was written in, "" where nobody knows."""
        if self.raw is None or "raw_unit" not in self.raw.samples.readings:
            return ""
        readings = self.raw.samples.readings
        units = readings.loc[readings["analyte"] == "total_hardness", "raw_unit"]
        return str(units.iloc[0]) if len(units) else ""


def gather(store: Store, text: str, *, machine: Machine | None = None, litres_per_day: float | None = None) -> Dossier:
    """Gather a site from the store.

    Parameters
    ----------
    store : open.
    text : the site as a person names it.
    machine, litres_per_day : in place of what the records say.

    Raises
    ------
    KettlestoneError : no such site, or several; they are listed.
    """
    from pipeline.store import registers, site_records  # noqa: PLC0415 - duckdb is not needed by the other reports

    site = site_records.find_site(store, text)
    wide = site_records.site_samples(store, site)
    visits = _visits(store, wide, site_records.site_findings(store, wide))
    facts = _facts(registers.entries(store, "site"), site)
    register = _facts(registers.entries(store, "treatment"), site)
    stated = {name: text for name, text in facts.items() if text}
    machine_text = _said("machine", facts, visits)
    comments = [facts.get("comment", ""), *(visit.about("comment") for visit in visits)]
    found = machine or _recognised(machine_text, comments)
    country = _said("country", facts, visits)
    treatment = treatment_meant(register.get("treatment", "") or _said("treatment", facts, visits))
    before = _BEFORE if treatment in KEEPS_MINERALS else _BEFORE[:-1]
    raw = _latest(visits, before) or _latest(visits, before, held=True) or _incomplete(visits, before)
    treated = _latest(visits, _AFTER)
    lent = _lenders(visits, raw)
    return Dossier(
        site=site,
        country=_iso(country),
        supply=_said("supply", facts, visits),
        treatment=treatment,
        machine=found,
        machine_text=machine_text,
        litres_per_day=litres_per_day
        if litres_per_day is not None
        else positive(_said("litres_per_day", {**register, **stated}, visits)),
        register=register,
        raw=None if raw is None else completed(raw, lent),
        treated=treated,
        earlier=_earlier(visits, raw),
        lent=lent,
        held=_waiting(visits, raw),
        bottled=site_records.bottled_samples(store, site.client),
        pair=_pair(visits, treated),
        drain=drain_of("; ".join([machine_text, *comments])),
    )


def _visits(store: Store, wide: pd.DataFrame, findings: pd.DataFrame) -> list[Visit]:
    """Lay the samples out one by one, the oldest first; hot water and controls are no water of the site."""
    ids = [str(name) for name in wide.loc[wide["stage"] != "hot_outlet", "sample_id"]]
    if not ids:
        return []
    from pipeline.store.table import sample_table  # noqa: PLC0415 - duckdb is not needed by the other reports

    rebuilt = sample_table(store, ids)
    about = wide.set_index("sample_id")
    return [
        Visit(
            sample_id=name,
            label=str(about["label"][name] or name),
            stage=str(about["stage"][name]),
            day=pd.Timestamp(about["collected_at"][name]),
            samples=rebuilt.where(pd.Series(rebuilt.about.index == name, index=rebuilt.about.index)),
            findings=findings[findings["sample_id"] == name],
            verdict=str(about["current_verdict"][name]),
            batch_id=str(about["batch_id"][name]),
        )
        for name in ids
    ]


def _facts(register: pd.DataFrame, site: Site) -> dict[str, str]:
    """Take the last row of a site; one without a client counts where the client has none of its own."""
    rows = register[(register["client"] == site.client) & (register["site"] == site.site)]
    rows = rows if len(rows) else register[(register["client"] == "") & (register["site"] == site.site)]
    last = rows.iloc[-1].to_dict() if len(rows) else {}
    return {str(name): "" if pd.isna(value) else str(value).strip() for name, value in last.items()}


def _said(name: str, facts: Mapping[str, str], visits: Sequence[Visit]) -> str:
    """Take a fact from the register, else from the latest record that states it."""
    return facts.get(name, "") or next((text for visit in reversed(visits) if (text := visit.about(name))), "")


def _recognised(text: str, comments: Sequence[str]) -> Machine:
    """Find the machine a text means; filled by hand, or of a metal, it is whatever else is known of it."""
    known = known_machines()
    meant = recognise(pd.Series([text], dtype="str"), known).astype("str").iloc[0].to_dict()
    found, connection = known[str(meant["machine"])], str(meant["connection"])
    boilers = [part for part in re.split(r"[,;.]", "; ".join(comments)) if _BOILER.search(part)]
    metals = {*found.metals, *named_metals("; ".join([text, *boilers]))}
    connected = found.connection if connection == NOT_KNOWN else connection
    return replace(found, connection=connected, metals=tuple(metal for metal in METALS if metal in metals))


def _iso(text: str) -> str:
    code = str(country_codes(pd.Series([text], dtype="str")).iloc[0])
    return code or (text.upper() if len(text) == 2 and text.isalpha() else "")  # noqa: PLR2004 - letters of an ISO code


def positive(text: str) -> float:
    """Read a number above 0 that a register or a record gives as text; missing where there is none."""
    plain = re.sub(r"[.,' ](?=\d{3}(?!\d))", "", text.strip())  # thousands: nobody counts thousandths of a litre
    value = pd.to_numeric(pd.Series([plain.replace(",", ".")], dtype="str"), errors="coerce").iloc[0]
    return float(value) if value > 0.0 else math.nan


def _latest(visits: Sequence[Visit], preferences: Sequence[tuple[str, ...]], *, held: bool = False) -> Visit | None:
    """Pick the latest sample with hardness and alkalinity: a usable one, or one on hold."""
    for stages in preferences:
        found = [visit for visit in visits if visit.stage in stages and visit.held is held and visit.decides]
        if found:
            same_day = [visit for visit in found if _one_day(visit, found[-1])]
            return min(reversed(same_day), key=_coarseness)
    return None


def _incomplete(visits: Sequence[Visit], preferences: Sequence[tuple[str, ...]]) -> Visit | None:
    """Pick the latest usable sample that lacks hardness or alkalinity, so that what it lacks can be said."""
    found = [visit for stages in preferences for visit in reversed(visits) if visit.stage in stages and not visit.held]
    return next(iter(found), None)


def _coarseness(visit: Visit) -> tuple[bool, float]:
    """Rank the samples of one day: without a note first, then by how finely hardness was read."""
    value, high = visit.samples.filled[HARDNESS].iloc[0], visit.samples.high[HARDNESS].iloc[0]
    spread = visit.samples.uncertainty[HARDNESS].iloc[0]
    share = spread / value if value > 0.0 and not math.isnan(spread) else (1.0 if not math.isnan(high) else math.inf)
    return visit.verdict != "ok", float(share)


def _earlier(visits: Sequence[Visit], raw: Visit | None) -> Visit | None:
    """Pick the usable sample of the same place before the latest one, measured the same way."""
    if raw is None or raw.held or pd.isna(raw.day):
        return None
    before = [visit for visit in visits if visit.day < raw.day and visit.stage == raw.stage and not visit.held]
    both = [visit for visit in before if visit.samples.filled[[HARDNESS, ALKALINITY]].notna().all(axis=None)]
    return both[-1] if both else None


def _pair(visits: Sequence[Visit], treated: Visit | None) -> Visit | None:
    """Find the raw sample taken on the day of the treated one."""
    if treated is None:
        return None
    near = [visit for visit in visits if visit.stage == "raw" and not visit.held and visit.decides]
    same = [visit for visit in near if abs(visit.day - treated.day) <= _ONE_DAY]
    return same[-1] if same else None


def _waiting(visits: Sequence[Visit], raw: Visit | None) -> tuple[Visit, ...]:
    """Name the samples on hold from the day of ``raw`` on; all of them where there is no other."""
    held = [visit for visit in reversed(visits) if visit.held and visit is not raw]
    if raw is None or pd.isna(raw.day):
        return tuple(held)
    return tuple(visit for visit in held if visit.day >= raw.day)


def _lenders(visits: Sequence[Visit], raw: Visit | None) -> dict[str, Visit]:
    """Find, for what ``raw`` lacks, the latest usable record of the same water that has it."""
    if raw is None or raw.held:
        return {}
    same = [visit for visit in visits if visit is not raw and not visit.held and _same_water(visit, raw)]
    lent: dict[str, Visit] = {}
    for column in (*LENT, *LENT_SAME_DAY):
        known = [visit for visit in reversed(same) if visit.knows(column)]
        lender = next((visit for visit in known if column in LENT or _one_day(visit, raw)), None)
        if not raw.knows(column) and lender is not None:
            lent[column] = lender
    return lent


def _same_water(visit: Visit, raw: Visit) -> bool:
    if visit.stage not in ("raw", ""):
        return False
    if _one_day(visit, raw):
        return all(_overlap(visit, raw, name) for name in (HARDNESS, ALKALINITY))
    pairs = [(visit.samples.filled[name].iloc[0], raw.samples.filled[name].iloc[0]) for name in (HARDNESS, ALKALINITY)]
    return all(abs(one - other) <= _SAME_WATER * other for one, other in pairs)


def _one_day(visit: Visit, other: Visit) -> bool:
    """Say whether two samples are of one day, or neither has a date."""
    days = pd.Series([visit.day, other.day])
    return bool(days.isna().all() or days.iloc[0] == days.iloc[1])


def _overlap(one: Visit, other: Visit, name: str) -> bool:
    """Say whether two readings of one day can be of one water: their ranges meet, or nearly so."""
    ends_of = [_reach(visit, name) for visit in (one, other)]
    (low, high), (other_low, other_high) = ends_of
    return bool(low <= other_high * (1.0 + _SAME_WATER) and other_low <= high * (1.0 + _SAME_WATER))


def _reach(visit: Visit, name: str) -> tuple[float, float]:
    value, spread = visit.samples.filled[name].iloc[0], visit.samples.uncertainty[name].iloc[0]
    low, high = visit.samples.low[name].iloc[0], visit.samples.high[name].iloc[0]
    wide = 0.0 if math.isnan(spread) else spread
    return float(min(low, value - wide)), float(max(high, value + wide))


def completed(raw: Visit, lent: Mapping[str, Visit]) -> Visit:
    """Put readings lent by other samples beside those of ``raw``.

    Parameters
    ----------
    raw : a sample.
    lent : column -> the sample that lends it.
    """
    if not lent:
        return raw
    frames = {}
    for part in ("filled", "uncertainty", "low", "high"):
        frame = getattr(raw.samples, part).copy()
        for column, lender in lent.items():
            frame[column] = getattr(lender.samples, part)[column].to_numpy()
        frames[part] = frame
    return replace(raw, samples=replace(raw.samples, **frames))


def ends(visit: Visit) -> pd.DataFrame:
    """Lay a sample out with the ends of its uncertainty.

    Parameters
    ----------
    visit : a sample.

    Returns
    -------
    (3, ...) frame of the canonical columns: as read, everything low, everything high; a reading below a limit
    is half the limit.
    """
    table = visit.samples
    value, spread = table.filled, table.uncertainty.fillna(0.0)
    least = (value - spread).fillna(table.low).clip(lower=0.0)
    most = (value + spread).fillna(table.high)
    middle = value.fillna(0.5 * (least + most))
    return pd.concat([middle, least, most], ignore_index=True)
