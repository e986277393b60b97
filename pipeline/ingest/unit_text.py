"""Units, bases and reference temperatures that stand in headings, units of rows and columns of units.

What a unit text says is read by the one grammar (``pipeline.notation``); what a unit is worth is decided
later, in ``pipeline.normalise.units``.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache

from pipeline.notation import vocabulary
from pipeline.notation.grammar import celsius, form_behind, read_unit, temperature_behind
from pipeline.notation.signs import fold


@dataclass(frozen=True)
class UnitText:
    """A unit as written, the basis and the reference temperature [°C] that stood with it ("" = none)."""

    unit: str = ""
    basis: str = ""
    at: str = ""


@lru_cache(maxsize=16384)
def split_unit(text: str) -> UnitText | None:
    """Take a text apart if all of it is a unit with, maybe, a basis and a reference temperature.

    A unit of several meanings is one too: what it may mean is asked later. A count of drops is a way to
    write an entry, not a unit.

    Example
    -------
    >>> split_unit("mg/l as N")
    UnitText(unit='mg/l', basis='as N', at='')
    >>> split_unit("uS/cm @25C")
    UnitText(unit='uS/cm', basis='', at='25')
    >>> split_unit("red") is None
    True
    """
    found = read_unit(text)
    if found is None or "drops" in found.codes:
        return None
    at = "" if math.isnan(found.temperature_c) else f"{found.temperature_c:g}"
    stroked = re.sub(r"(?<=\w)_(?=\w)", "/", found.written)
    again = read_unit(stroked)
    written = stroked if again and again.codes == found.codes else found.written
    return UnitText(written, "" if found.form == "as ion" else found.form, at)


@cache
def _endings() -> tuple[str, ...]:
    places = {*vocabulary.part("volumes"), *vocabulary.part("lengths")}
    spelled = {word[-1:] for word in (*vocabulary.spelled(), *vocabulary.ambiguous(), *vocabulary.others())}
    forms = {name[-1:] for name in vocabulary.forms()}
    return tuple({place[-1:] for place in places} | spelled | forms | {*"13)]"})


def ends_like_unit(text: str) -> bool:
    """Say quickly whether a unit, maybe with a form or temperature, can stand at the end."""
    return fold(text).text.rstrip("+-=)]}. ").endswith(_endings())


def split_temperature(text: str) -> tuple[str, str]:
    """Split a reference temperature off the end: ("Leitfähigkeit", "20") of "Leitfähigkeit bei 20 °C"."""
    folded = fold(text)
    at = temperature_behind().search(folded.text)
    if at is None or not at.start():
        return text, ""
    return folded.original(0, at.start()), f"{celsius(at):g}"


def split_basis(text: str) -> tuple[str, str]:
    """Split "as CaCO3", "als N" or a bare formula off the end of a name.

    A bare word ("calcium") or a single letter is part of the name, not a form.
    """
    folded = fold(text)
    for place in range(1, len(folded.text)):
        behind = form_behind().match(folded.text, place)
        if behind is None or not (behind["as"] or behind["gap"]):
            continue
        name = folded.original(*behind.span("form"))
        if not behind["as"] and name == "MG":
            continue  # milligrams, of a unit that was cut
        if behind["as"] or (len(name) > 1 and vocabulary.is_formula(name)):
            return folded.original(0, place), vocabulary.form(behind["form"])
    return text, ""


@lru_cache(maxsize=4096)
def unit_at_end(text: str) -> tuple[str, str]:
    """Split a unit in brackets or after a blank off a name that is not known.

    Example
    -------
    >>> unit_at_end("Geosmin (ng/l)")
    ('Geosmin ', 'ng/l')
    """
    for pattern in (r"^(.*?)[(\[]([^()\[\]]+)[)\]]\s*$", r"^(.*\S)[\s_,;]+(\S+)$"):
        if (found := re.match(pattern, text)) and (unit := split_unit(found[2].strip())):
            return found[1], unit.unit
    return text, ""
