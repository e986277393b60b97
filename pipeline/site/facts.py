"""What is known of a site besides its water: what is fitted on a day, its machine, country, supply, litres."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.assess.hardness_classes import country_codes
from pipeline.assess.machines import METALS, NOT_KNOWN, known_machines, named_metals, recognise
from pipeline.site.pairing import last_pair
from pipeline.site.statements import (
    MACHINE,
    REGISTER,
    SAMPLE,
    SITE,
    Fitted,
    Statement,
    in_place_of,
    positive,
    share,
    written_day,
)
from pipeline.site.statements import resolved as resolved_of
from pipeline.treat.choosing.case import drain_of, yes_or_no
from pipeline.treat.processes.naming import treatment_meant
from pipeline.treat.sizing.capacity import CAPACITY_UNITS
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.assess.machines import Machine
    from pipeline.store.database import Store
    from pipeline.store.site_records import SiteName

_BY_HAND: Final = ("jug", "tank cartridge", "resin bag")  # only where somebody fills the machine
_BOILER: Final = re.compile(r"boiler|kessel|chaudière|caldaia|caldera|ketel|thermoblo", re.IGNORECASE)
# How registers write the units of `pipeline.treat.sizing.capacity.UNITS`, without blanks, dots and capitals.
_SPELLED: Final[dict[str, str]] = {
    "°dhl": "litre °dH",
    "l°dh": "litre °dH",
    "litre°dh": "litre °dH",
    "liter°dh": "litre °dH",
    "°fl": "litre °f",
    "l°f": "litre °f",
    "litre°f": "litre °f",
    "eq": "eq",
    "val": "eq",
    "kgcaco3": "kg CaCO3",
    "grains": "grains",
    "grain": "grains",
    "gr": "grains",
    "l": "litres",
    "litre": "litres",
    "litres": "litres",
    "liter": "litres",
}
# Units in which every real medium holds hundreds and more, so that nobody writes three decimals [CP].
_WHOLE: Final = ("litre °dH", "litre °f", "grains", "litres")


@dataclass(frozen=True)
class Facts:
    """What is known of a site besides its water.

    Attributes
    ----------
    fitted : what is fitted now.
    fitted_then : what was fitted on the day of the last treated sample.
    register : the row of the treatments' register in force now, else its last one; empty where there is none.
    changes : days on which the medium in use was put in.
    country : ISO 3166 code, "" where not known.
    supply : kind of supply as written.
    machine, machine_text : the profile, and what the register calls it.
    drain : whether a drain is near the machine, None where nobody says.
    """

    fitted: Fitted
    fitted_then: Fitted
    register: Mapping[str, str]
    changes: tuple[pd.Timestamp, ...]
    country: str
    supply: str
    machine: Machine
    machine_text: str
    drain: bool | None

    @property
    def replaced(self) -> bool:
        """Say whether something else has been fitted since the last treated sample."""
        return self.fitted.treatment != self.fitted_then.treatment


def fitted(store: Store, site: SiteName, on: pd.Timestamp | None = None) -> Fitted:
    """Say what is fitted at a site, and who says so.

    The order of preference is the register of treatments as it stood on the day, then the row of the sample,
    then the row of the site. What another of them says against it is among the notices.

    Parameters
    ----------
    store : open.
    site : client and site.
    on : the day; without one the register's last row counts.
    """
    from pipeline.store.site_records import site_samples  # noqa: PLC0415 - duckdb is not needed by the reports

    return resolved_of(_statements(_registers(store, site), site_samples(store, site), on))


def site_facts(
    store: Store,
    site: SiteName,
    wide: pd.DataFrame,
    today: pd.Timestamp,
    litres: float | None = None,
    machines: Mapping[str, Machine] | None = None,
    registers: Mapping[str, pd.DataFrame] | None = None,
) -> Facts:
    """Gather what registers and samples say of a site.

    Parameters
    ----------
    store : open.
    site : client and site.
    wide : its samples (view `v_sample`), the oldest first.
    today : rows of the register that lie ahead are not in force.
    litres : a day, in place of what the records say.
    machines : those that are known; the built-in ones where not given.
    registers : all entries of the three registers by kind, where they were read for many sites at once.
    """
    rows = _registers(store, site, registers)
    site_row, machine_row = _last(rows[SITE]), _last(rows[MACHINE])
    now = resolved_of(_statements(rows, wide, today))
    treated = last_pair(wide.set_index("sample_id"))[1]
    taken = wide.set_index("sample_id")["collected_at"][treated] if treated else pd.NaT
    then = resolved_of(_statements(rows, wide, today if pd.isna(taken) else pd.Timestamp(taken)))
    register = _last(_in_force(rows[REGISTER], today)) or _last(rows[REGISTER])
    machine_text = site_row.get("machine", "") or machine_row.get("machine", "") or _latest(wide, "machine")
    comments = [site_row.get("comment", ""), *_texts(wide, "comment")]
    country = site_row.get("country", "") or _latest(wide, "country")
    return Facts(
        fitted=in_place_of(now, litres),
        fitted_then=in_place_of(then, litres),
        register=register,
        changes=_changes(rows[REGISTER], then.treatment),
        country=_iso(country),
        supply=site_row.get("supply", "") or _latest(wide, "supply"),
        machine=_connected(
            _recognised(machine_text, comments, dict(machines or known_machines())),
            yes_or_no(site_row.get("plumbed", "")),
            now.treatment,
        ),
        machine_text=machine_text,
        drain=_drain(site_row.get("drain", ""), [machine_text, *comments]),
    )


def _connected(machine: Machine, plumbed: bool | None, treatment: str) -> Machine:
    """Say how a machine gets its water: as the register says, else by what only a filled machine has."""
    if plumbed is not None:
        return replace(machine, connection="plumbed" if plumbed else "reservoir")
    by_hand = machine.connection == NOT_KNOWN and treatment in _BY_HAND
    return replace(machine, connection="reservoir") if by_hand else machine


def _drain(column: str, remarks: Sequence[str]) -> bool | None:
    """Say whether there is a drain: by the column of the register, else by the words of a remark."""
    said = yes_or_no(column)
    return drain_of("; ".join([column, *remarks])) if said is None else said


def _registers(
    store: Store, site: SiteName, known: Mapping[str, pd.DataFrame] | None = None
) -> dict[str, pd.DataFrame]:
    """Give the rows of the three registers about a site; one without a client counts where there is no other."""
    from pipeline.store import registers  # noqa: PLC0415 - duckdb is not needed by the reports

    found = {}
    for by, kind in ((REGISTER, "treatment"), (SITE, "site"), (MACHINE, "machine")):
        entries = registers.entries(store, kind) if known is None else known[kind]
        own = registers.of_site(entries, site.site, site.client)
        found[by] = own if len(own) else registers.of_site(entries, site.site, "")
    return found


def _statements(rows: Mapping[str, pd.DataFrame], wide: pd.DataFrame, on: pd.Timestamp | None) -> list[Statement]:
    """Lay out what every place says on a day."""
    standing = _in_force(rows[REGISTER], on)
    said = [
        *_of_samples(_own(wide, rows[SITE])),
        *(_of_row(row, by) for by in (SITE, MACHINE) if (row := _last(rows[by]))),
    ]
    # A register that begins only later still says more than nobody.
    named = len(standing) > 0 or any(one.written for one in said)
    register = _last(standing if named else rows[REGISTER])
    return [*([_of_row(register, REGISTER)] if register else []), *said]


def _of_row(row: Mapping[str, str], by: str) -> Statement:
    return Statement(
        by,
        "" if by == MACHINE else row.get("treatment", ""),
        share(row.get("bypass_percent", "")),
        positive(row.get("litres_per_day", "")),
        written_day(row.get("installed_on", "")) if by == REGISTER else None,
    )


def _own(wide: pd.DataFrame, site_rows: pd.DataFrame) -> pd.DataFrame:
    """Leave out what samples took over from the register of sites when they were imported: the site says it itself."""
    texts = site_rows["treatment"].dropna().astype("str") if "treatment" in site_rows else pd.Series(dtype="str")
    taken_over = {text.strip().casefold() for text in texts}
    written = wide["treatment"].fillna("").astype("str")
    return wide.assign(treatment=written.mask(written.str.strip().str.casefold().isin(taken_over), ""))


def _of_samples(wide: pd.DataFrame) -> list[Statement]:
    """Lay out what the rows of the last pair say; what neither says comes from the latest sample that says it."""
    named = wide.set_index("sample_id")
    pair = [name for name in reversed(last_pair(named)) if name]
    rows = {str(name): _of_sample(row) for name, row in named.iterrows()}
    said = [rows[name] for name in pair]
    others = [one for name, one in reversed(rows.items()) if name not in pair]
    written = next((one for one in others if one.written), None)
    litres = next((one for one in others if not math.isnan(one.litres)), None)
    if written is not None and not any(one.written for one in said):
        said.append(replace(written, litres=math.nan))
    if litres is not None and all(math.isnan(one.litres) for one in said):
        said.append(Statement(SAMPLE, litres=litres.litres, label=litres.label))
    return said


def _of_sample(row: pd.Series) -> Statement:
    text = {name: "" if pd.isna(row[name]) else str(row[name]).strip() for name in
            ("treatment", "bypass_percent", "litres_per_day", "label")}  # fmt: skip
    return Statement(
        SAMPLE,
        text["treatment"],
        share(text["bypass_percent"]),
        positive(text["litres_per_day"]),
        label=text["label"] or str(row.name),
    )


def _in_force(rows: pd.DataFrame, on: pd.Timestamp | None) -> pd.DataFrame:
    """Order the rows of a register by the day they begin, without those that begin after a day."""
    if rows.empty:
        return rows
    texts = rows["installed_on"] if "installed_on" in rows else pd.Series("", index=rows.index)
    began = pd.to_datetime(texts.where(texts != "").astype("str"), errors="coerce", format="ISO8601", utc=True)
    began = began.dt.tz_localize(None)
    order = began.where(began.notna(), began.cummax().ffill())  # a row without a day follows what stands before it
    kept = rows.iloc[order.argsort(kind="stable").to_numpy()] if order.notna().all() else rows
    return kept if on is None else kept[(began.isna() | (began <= on)).reindex(kept.index)]


def _last(rows: pd.DataFrame) -> dict[str, str]:
    last = rows.iloc[-1].to_dict() if len(rows) else {}
    return {str(name): "" if pd.isna(value) else str(value).strip() for name, value in last.items()}


def _changes(rows: pd.DataFrame, treatment: str) -> tuple[pd.Timestamp, ...]:
    """Give the days on which the medium of a treatment was put in."""
    if rows.empty or "installed_on" not in rows:
        return ()
    own = [treatment_meant(str(text)) == treatment for text in rows["treatment"]]
    days = [written_day(str(text)) for text in rows.loc[own, "installed_on"]]
    return tuple(sorted({day for day in days if day is not None}))


def _texts(wide: pd.DataFrame, name: str) -> list[str]:
    return [str(text).strip() for text in wide[name].dropna()] if name in wide else []


def _latest(wide: pd.DataFrame, name: str) -> str:
    """Take a fact from the latest sample that states it."""
    return next((text for text in reversed(_texts(wide, name)) if text), "")


def _recognised(text: str, comments: Sequence[str], known: dict[str, Machine]) -> Machine:
    """Find the machine a text means; filled by hand, or of a metal, it is whatever else is known of it."""
    name, connection = _meant(text, tuple(known))
    found = known[name]
    boilers = [part for part in re.split(r"[,;.]", "; ".join(comments)) if _BOILER.search(part)]
    metals = {*found.metals, *named_metals("; ".join([text, *boilers]))}
    connected = found.connection if connection == NOT_KNOWN else connection
    return replace(found, connection=connected, metals=tuple(metal for metal in METALS if metal in metals))


@lru_cache(maxsize=4096)
def _meant(text: str, names: tuple[str, ...]) -> tuple[str, str]:
    """Name machine and connection that a text means; the sites of a round say the same few texts."""
    meant = recognise(pd.Series([text], dtype="str"), names).astype("str").iloc[0]
    return str(meant["machine"]), str(meant["connection"])


@lru_cache(maxsize=4096)
def _iso(text: str) -> str:
    code = str(country_codes(pd.Series([text], dtype="str")).iloc[0])
    return code or (text.upper() if len(text) == 2 and text.isalpha() else "")  # noqa: PLR2004 - letters of an ISO code


def capacity(register: Mapping[str, str]) -> tuple[float, str]:
    """Read the capacity of a register's row.

    Parameters
    ----------
    register : row of the treatments' register, with ``capacity`` and ``capacity_unit``.

    Returns
    -------
    number, missing where there is none or its unit is not known; unit of `pipeline.treat.sizing.capacity.UNITS`.

    Example
    -------
    >>> capacity({"capacity": "12000", "capacity_unit": "°dH·L"})
    (12000.0, 'litre °dH')
    >>> capacity({"capacity": "12.000", "capacity_unit": "°dH·L"})
    (12000.0, 'litre °dH')
    >>> capacity({"capacity": "4,993", "capacity_unit": "eq"})
    (4.993, 'eq')
    """
    plain = "".join(mark for mark in register.get("capacity_unit", "").casefold() if mark not in " ·.*x×")
    unit = _SPELLED.get(plain, register.get("capacity_unit", ""))
    number = count(register.get("capacity", ""), whole=unit in _WHOLE)
    return (number, unit) if unit in CAPACITY_UNITS else (math.nan, CAPACITY_UNITS[0])


def count(text: str, *, whole: bool) -> float:
    """Read a number above 0; of ``whole`` litres a mark before three digits parts thousands, as in 12.000."""
    if whole:
        return positive(text)
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return math.nan
    return value if 0.0 < value < math.inf else math.nan


def fitted_since(facts: Facts) -> tuple[Said, ...]:
    """Say that something else has been fitted since the last treated sample was taken."""
    if not facts.replaced or not facts.fitted.treatment:
        return ()
    return (Said("site.replaced", {"treatment": Said(f"treat.{facts.fitted.treatment.replace(' ', '-')}")}),)
