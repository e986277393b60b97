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
from pipeline.site.statements import MACHINE, SITE, Fitted, in_place_of, positive, resolved
from pipeline.treat.choosing.case import drain_of, yes_or_no
from pipeline.treat.processes.trains import in_tank
from pipeline.treat.sizing.capacity import CAPACITY_UNITS
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.assess.machines import Machine
    from pipeline.site.sources import SiteSources

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


def site_facts(
    sources: SiteSources,
    today: pd.Timestamp,
    litres: float | None = None,
    machines: Mapping[str, Machine] | None = None,
) -> Facts:
    """Gather what registers and samples say of a site.

    Parameters
    ----------
    sources : what the registers and the samples say.
    today : rows of the register that lie ahead are not in force.
    litres : a day, in place of what the records say.
    machines : those that are known; the built-in ones where not given.
    """
    site_row, machine_row = sources.last(SITE), sources.last(MACHINE)
    now = resolved(sources.statements(today))
    then = now if sources.tested_on is None else resolved(sources.statements(sources.tested_on))
    machine_text = site_row.get("machine", "") or machine_row.get("machine", "") or sources.latest("machine")
    comments = [site_row.get("comment", ""), *sources.texts("comment")]
    country = site_row.get("country", "") or sources.latest("country")
    return Facts(
        fitted=in_place_of(now, litres),
        fitted_then=in_place_of(then, litres),
        register=sources.register(today),
        changes=sources.changes(then.treatment),
        country=_iso(country),
        supply=site_row.get("supply", "") or sources.latest("supply"),
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
    by_hand = machine.connection == NOT_KNOWN and in_tank(treatment)
    return replace(machine, connection="reservoir") if by_hand else machine


def _drain(column: str, remarks: Sequence[str]) -> bool | None:
    """Say whether there is a drain: by the column of the register, else by the words of a remark."""
    said = yes_or_no(column)
    return drain_of("; ".join([column, *remarks])) if said is None else said


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
