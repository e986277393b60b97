"""Numbers as a client reads them: in the unit of the country, with the digits the method has."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.words import DECIMAL_COMMA
from schemas.columns import COLUMNS

MG_L: Final = "mg/L"
IN_OWN_UNIT: Final = (
    "total_hardness_mg_l_caco3",
    "calcium_hardness_mg_l_caco3",
    "magnesium_hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
)
# Decimals where the uncertainty is at least this much: a second figure of it is never shown.
_DECIMALS: Final = ((0.95, 0), (0.095, 1), (0.0095, 2))
_MOST_DECIMALS: Final = 3


@dataclass(frozen=True)
class OwnUnit:
    """The unit a client thinks in: its sign, and mg/L as CaCO3 in one of hardness and of alkalinity."""

    sign: str
    hardness: float
    alkalinity: float

    def factor(self, column: str) -> float:
        """Give the canonical amount in one unit of a column."""
        return self.alkalinity if column == "alkalinity_mg_l_caco3" else self.hardness


def own_unit(country: str, asked: str = "", written: str = "") -> OwnUnit:
    """Find the unit for hardness and alkalinity.

    Parameters
    ----------
    country : ISO 3166 code.
    asked : a unit in place of the country's, in any spelling of ``schemas/units.json``.
    written : the unit the hardness was written in; it counts where the country is not known.

    Raises
    ------
    KettlestoneError : ``asked`` is no unit of hardness.

    Example
    -------
    >>> unit = own_unit("DE")
    >>> unit.sign, round(unit.hardness, 3)
    ('°dH', 17.848)
    """
    from pipeline.normalise.units import resolve  # noqa: PLC0415 - pint only when a page is made

    known = table("client_units").set_index("country")["unit"]
    usual = written if country == "" and written in set(known) else MG_L
    sign = asked.strip() or str(known.get(country, usual))
    hardness, alkalinity = resolve("total_hardness", sign, ""), resolve("alkalinity", sign, "")
    if hardness.problem or alkalinity.problem:
        raise KettlestoneError(
            f'"{sign}" is not a unit of hardness and alkalinity.\n  Nothing was written.\n'
            f"  Give one of {', '.join(dict.fromkeys(known))}, mmol/L, mg/L."
        )
    return OwnUnit(sign, hardness.factor, alkalinity.factor)


def decimals(uncertainty: float) -> int:
    """Say how many decimals a number with this uncertainty deserves.

    Example
    -------
    >>> [decimals(spread) for spread in (18.0, 1.0, 0.2, 0.01)]
    [0, 0, 1, 2]
    """
    if math.isnan(uncertainty) or uncertainty <= 0.0:
        return 0
    return next((places for least, places in _DECIMALS if uncertainty >= least), _MOST_DECIMALS)


def figure(value: float, places: int, language: str) -> str:
    """Write a number with the decimal mark of a language; a negative zero loses its sign.

    Example
    -------
    >>> figure(7.25, 1, "de"), figure(-0.01, 0, "en")
    ('7,2', '0')
    """
    text = f"{round(value, places) + 0.0:.{places}f}".replace("-", "−")
    return text.replace(".", ",") if language in DECIMAL_COMMA else text


def unit_of(column: str, unit: OwnUnit) -> str:
    """Give the sign of a column's unit on the page."""
    if column in IN_OWN_UNIT:
        return unit.sign
    return {"Cel": "°C", "[pH]": "", "uS/cm": "µS/cm"}.get(COLUMNS[column].unit, COLUMNS[column].unit)
