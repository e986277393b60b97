"""What of the consultant stands on a client's page, and how the page's file is called."""

from __future__ import annotations

import base64
import hashlib
import re
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline.errors import UNCHANGED, KettlestoneError

if TYPE_CHECKING:
    from datetime import date

    from pipeline.settings import Settings
    from pipeline.store.site_records import SiteName

# Beginning of a picture's bytes -> its kind; an SVG may hold scripts, so it is none of them.
_PICTURES: Final = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg", b"GIF8": "image/gif"}
_MOST_BYTES: Final = 500_000
_MOST_LETTERS: Final = 40
# A number and its unit, two numbers of a range, a sign and its number: never on two lines.
_UNITS: Final = (
    r"mg/L|µg/L|mmol/L|meq/L|°dH·L|°dH|°fH|°f|°e|gpg|ppm|µS/cm|mS/m|mS/cm|°C|%|kg|g|mL|ml|L|days?|Tag(?:en?)?|years?|"
    r"Jahre?n?|jours?|giorni|giorno|días?|kg CaCO3|eq|bar|h"
)
_TOGETHER: Final = (
    (re.compile(rf"(\d) (?=(?:{_UNITS})(?![\w/]))"), "\\1\u00a0"),
    (re.compile(r"(\d|[<>≤≥~±]) (?=[±<>]|\d)"), "\\1\u00a0"),
    (re.compile(r"(\d) (?=(?:to|bis|à|a|–) \d)"), "\\1\u00a0"),
)
_MARKUP: Final = re.compile(r"(<style>.*?</style>|<[^>]+>)", re.DOTALL)


class Letterhead(NamedTuple):
    """Name, lines of address, who signs, and the logo as a data address; "" and none where not set."""

    firm: str = ""
    contact: tuple[str, ...] = ()
    signed_by: str = ""
    logo: str = ""


def letterhead(settings: Settings) -> Letterhead:
    """Take the letterhead of the settings.

    Raises
    ------
    KettlestoneError : the logo cannot be read, is too large or no picture.
    """
    return Letterhead(
        firm=settings.firm or "",
        contact=tuple(line.strip() for line in (settings.contact or "").splitlines() if line.strip()),
        signed_by=settings.signed_by or "",
        logo=_logo(settings),
    )


def _logo(settings: Settings) -> str:
    if settings.logo is None:
        return ""
    try:
        data = settings.logo.read_bytes()
    except OSError as error:
        raise KettlestoneError(f"{settings.logo}: the logo cannot be read ({error.strerror}). {UNCHANGED}") from error
    kind = next((name for start, name in _PICTURES.items() if data.startswith(start)), "")
    if not kind or len(data) > _MOST_BYTES:
        raise KettlestoneError(
            f"{settings.logo}: a logo is a PNG, JPEG or GIF of at most {_MOST_BYTES:,} bytes. {UNCHANGED}"
        )
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"


def page_name(site: SiteName, day: date) -> str:
    """Name the file of a page so that a person can sort it: client, site, day.

    Names that clients chose lead nowhere: only their letters and digits are taken, and a mark where that left
    something out, so that two sites never share a file.

    Example
    -------
    >>> from datetime import date
    >>> from pipeline.store.site_records import SiteName
    >>> page_name(SiteName("Café Nirgendwo", "TF-1"), date(2026, 3, 2))
    'Café-Nirgendwo-TF-1-2026-03-02'
    """
    parts = [re.sub(r"[^\w]+", "-", part).strip("-_")[:_MOST_LETTERS] for part in site]
    whole = [part == re.sub(r" +", "-", text.strip()) for part, text in zip(parts, site, strict=True)]
    mark = "" if all(whole) else hashlib.sha256("\n".join(site).encode()).hexdigest()[:6]
    return "-".join(part for part in (*parts, mark, f"{day:%Y-%m-%d}") if part)


def unbroken(page: str) -> str:
    """Keep numbers with their units on one line, everywhere in the text of a page.

    Example
    -------
    >>> unbroken('<p class="a 1 L">Take 10 L of 5 to 7 °dH.</p>').replace("\u00a0", "_")
    '<p class="a 1 L">Take 10_L of 5_to 7_°dH.</p>'
    """
    return "".join(part if part.startswith("<") else _kept_together(part) for part in _MARKUP.split(page))


def _kept_together(text: str) -> str:
    for pattern, replaced in _TOGETHER:
        text = pattern.sub(replaced, text)
    return text
