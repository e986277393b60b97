"""Time zones as files write them: names, abbreviations, offsets."""

from __future__ import annotations

import re
import zoneinfo
from functools import cache
from typing import Final

_OFFSET: Final = re.compile(r"^(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?(\d{2}))?$")
# Hours from UTC. An abbreviation names one offset, summer and winter time apart [CP].
_HOURS: Final[dict[str, int]] = {
    **dict.fromkeys(("UTC", "GMT", "Z", "WET"), 0),
    **dict.fromkeys(("CET", "MEZ", "WEST"), 1),
    **dict.fromkeys(("CEST", "MESZ", "EET"), 2),
    "EEST": 3,
    "JST": 9,
    "AST": -4,
    "ADT": -3,
    "EST": -5,
    "EDT": -4,
    "CST": -6,
    "CDT": -5,
    "MST": -7,
    "MDT": -6,
    "PST": -8,
    "PDT": -7,
    "AKST": -9,
    "AKDT": -8,
    "HST": -10,
}


@cache
def known_zone(text: str) -> str:
    """Give the zone a text names, as pandas understands it; "" where it names none.

    Parameters
    ----------
    text : "Europe/Berlin", "EST", "GMT-05:00", "+2".

    Example
    -------
    >>> known_zone("GMT-5"), known_zone("MESZ"), known_zone("noon")
    ('UTC-05:00', 'UTC+02:00', '')
    """
    name = text.strip()
    if name.upper() in _HOURS:
        return f"UTC{_HOURS[name.upper()]:+03d}:00"
    offset = _OFFSET.match(name.upper().replace("−", "-"))
    if offset:
        sign, hours, minutes = offset.groups(default="00")
        return f"UTC{sign}{int(hours):02d}:{minutes}"
    return name if "/" in name and name in zoneinfo.available_timezones() else ""
