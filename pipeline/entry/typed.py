"""The numbers of a visit as a person types them: counts of drops, values with a unit, meter readings, a day."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Final

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.kits import COUNTED_IN_DROPS
from pipeline.normalise.units import resolve
from pipeline.visible import visible

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.kits import Kit

POINTS: Final = ("raw", "treated", "permeate", "machine_inlet", "bottled")
TITRATED: Final = ("hardness", "alkalinity")
# Word of the command line -> heading on the line, the unit it counts in, and the least and most that can be.
METERED: Final[dict[str, tuple[str, str, float, float]]] = {
    "ec": ("conductivity", "µS/cm", 0.0, 100_000.0),
    "tds": ("TDS", "ppm", 0.0, 100_000.0),
    "ph": ("pH", "", 0.0, 14.0),
    "temperature": ("temperature", "°C", 0.0, 100.0),
    "chlorine": ("free chlorine", "mg/L", 0.0, 50.0),
    "chloride": ("chloride", "mg/L", 0.0, 50_000.0),
}
_CODES: Final = {
    "hardness": "total_hardness", "alkalinity": "alkalinity", "ec": "conductivity", "tds": "tds", "ph": "ph",
    "temperature": "temperature", "chlorine": "free_chlorine", "chloride": "chloride",
}  # fmt: skip
_NUMBER: Final = re.compile(r"\s*([+-]?[0-9]+(?:[.,][0-9]+)?)\s*(.*?)\s*$", re.DOTALL)
_DAY_FORMATS: Final = ("%Y-%m-%d", "%d.%m.%Y")


@dataclass(frozen=True)
class TypedNumber:
    """A number as it was typed, made plain.

    Attributes
    ----------
    text : with a decimal point.
    unit : as typed, "" where none was.
    drops : whether it counts drops.
    """

    text: str
    unit: str = ""
    drops: bool = False


@dataclass(frozen=True)
class TypedVisit:
    """One visit.

    Attributes
    ----------
    readings : word of the command line -> quantity.
    facts : what else is known of the sample: words of ``pipeline.entry.line.VISIT_FACTS``.
    point : one of `POINTS`.
    on : day of sampling.
    used_ml : sample volume used with the kit [mL].
    """

    readings: Mapping[str, TypedNumber]
    point: str
    on: date
    used_ml: float
    facts: Mapping[str, str] = field(default_factory=dict)


def titrated(word: str, text: str, kit: Kit) -> TypedNumber:
    """Read a count of drops, or a value with its unit.

    Parameters
    ----------
    word : `hardness` or `alkalinity`.
    text : "9", or "160 mg/L", "8,5 °dH".
    kit : whose drops they are.

    Raises
    ------
    KettlestoneError : neither, negative, half a drop, or more drops than anybody counts.

    Example
    -------
    >>> from pipeline.kits import named_kit
    >>> titrated("hardness", "8,5 °dH", named_kit("grain", None))
    TypedNumber(text='8.5', unit='°dH', drops=False)
    """
    number, unit = _number(word, text, "a count of drops such as 9, or a value with its unit such as 160mg/L")
    if unit.casefold() not in ("", *COUNTED_IN_DROPS):
        _refuse_unit(word, text, unit)
        return TypedNumber(number, unit)
    if word not in kit.quantities:
        raise _refused(word, text, f"the kit {kit.name} counts {' and '.join(kit.quantities)} only")
    if float(number) != int(float(number)):
        raise _refused(word, text, f"drops are whole; write a value with its unit, for example {number}°dH")
    if float(number) > kit.most_drops:
        worth = float(number) * kit.drop_mg_l
        raise _refused(
            word,
            text,
            f"{number} drops of {kit.title} would be {worth:.0f} mg/L as CaCO3. If this is a value, write its unit "
            f"({number}mg/L); so many drops want a smaller sample (--volume-used)",
        )
    return TypedNumber(str(int(float(number))), "", drops=True)


def metered(word: str, text: str) -> TypedNumber:
    """Read a number of a meter, with or without its unit.

    Raises
    ------
    KettlestoneError : no number, one that cannot be, or a unit of something else.

    Example
    -------
    >>> metered("ph", "7,4"), metered("ec", "0.56 mS/cm").unit
    (TypedNumber(text='7.4', unit='', drops=False), 'mS/cm')
    """
    name, unit, least, most = METERED[word]
    number, own = _number(word, text, f"a number{f' in {unit}' if unit else ''}")
    if own:
        _refuse_unit(word, text, own)
    elif not least <= float(number) <= most:
        raise _refused(word, text, f"{name} lies between {least:g} and {most:g}{f' {unit}' if unit else ''}")
    return TypedNumber(number, own or unit)


def volume(text: str, kit: Kit) -> float:
    """Read the sample volume used [mL].

    Raises
    ------
    KettlestoneError : no number, not above 0, or far from what the kit is made for.
    """
    number, unit = _number("volume-used", text, "millilitres such as 5")
    used = float(number)
    if unit.casefold() not in ("", "ml") or used <= 0.0 or not 0.02 <= used / kit.nominal_ml <= 20.0:  # noqa: PLR2004 - no vial is so far off
        raise _refused("volume-used", text, f"write millilitres above 0; this kit is made for {kit.nominal_ml:g} mL")
    return used


def amount(word: str, text: str, unit: str) -> str:
    """Read litres: above 0.

    Raises
    ------
    KettlestoneError : no number above 0.
    """
    number, own = _number(word, text, f"{unit} such as 40")
    if own.casefold() not in ("", "l", "litre", "litres", "liter") or float(number) <= 0.0:
        raise _refused(word, text, f"write {unit} above 0")
    return number


def legible_text(word: str, text: str) -> str:
    r"""Read a name or a note: one line of signs that can be seen.

    Raises
    ------
    KettlestoneError : it holds a sign that commands a terminal or turns the order of letters.

    Example
    -------
    >>> legible_text("site", " Corner  cafe\n")
    'Corner cafe'
    """
    plain = " ".join(text.split())
    if visible(plain) != plain:
        raise _refused(word, visible(plain), "it holds signs that nobody sees; type it again")
    return plain


def visited_on(text: str, today: date) -> date:
    """Read the day of a visit; today where none is given.

    Raises
    ------
    KettlestoneError : no day, or one that has not come yet.
    """
    if not text.strip():
        return today
    for form in _DAY_FORMATS:
        try:
            found = datetime.strptime(text.strip(), form).date()  # noqa: DTZ007 - a day has no zone
        except ValueError:
            continue
        if found > today:
            raise _refused("date", text, f"that day has not come yet; today is {today:%Y-%m-%d}")
        return found
    raise _refused("date", text, f"write the day as {today:%Y-%m-%d}")


def _number(word: str, text: str, wanted: str) -> tuple[str, str]:
    found = _NUMBER.match(text)
    if found is None:
        raise _refused(word, text, f"write {wanted}")
    number = found[1].replace(",", ".").lstrip("+")
    if number.startswith("-") and word != "temperature":
        raise _refused(word, text, "it cannot be below 0")
    if not math.isfinite(float(number)) or len(number) > 12:  # noqa: PLR2004 - no reading has so many digits
        raise _refused(word, text, f"write {wanted}")
    return number, found[2]


def _refuse_unit(word: str, text: str, unit: str) -> None:
    meant = resolve(_CODES[word], unit, "")
    if meant.problem:
        raise _refused(word, text, f'"{unit}" is no unit of it')


def _refused(word: str, text: str, why: str) -> KettlestoneError:
    return KettlestoneError(f'--{word} "{text.strip()}": {why}.\n  {UNCHANGED}')
