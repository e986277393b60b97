"""A day of a reverse osmosis: permeate, raw share, waste, and the hours it needs in cold water."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.errors import KettlestoneError
from pipeline.treat.advice import Range
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Callable

RATED_AT_C: Final = 25.0
FLOW_PER_DEGREE: Final = 1.03  # a membrane gives 3 % less per °C below, compounded [CP]
LONG_DAY_HOURS: Final = 4.0  # of permeate a day; longer needs a tank or a bigger unit [CP]


@dataclass(frozen=True)
class Membrane:
    """One reverse osmosis unit; NaN where not known.

    ``recovery`` share of the feed that becomes permeate [-]: 0.25–0.5 of small units, to 0.75 with a pump [CP];
    ``rated_litres_per_hour`` at 25 °C; ``water_c`` temperature of the feed.
    """

    recovery: float = 0.4
    rated_litres_per_hour: float = math.nan
    water_c: float = 10.0


@dataclass(frozen=True)
class MembraneDay:
    """Litres a day of each stream, litres an hour at the feed's temperature, and hours of production."""

    permeate: Range
    raw: Range
    feed: Range
    waste: Range
    total: Range
    litres_per_hour: float
    hours: Range
    notes: tuple[Said, ...]


def flow_factor(water_c: float) -> float:
    """Flow of a membrane at a temperature over its rated flow at 25 °C.

    Parameters
    ----------
    water_c : temperature of the feed [°C], 0–45.

    Returns
    -------
    factor [-], 1.03^(T - 25): cold water is thicker and passes more slowly [CP].

    Example
    -------
    >>> round(flow_factor(10.0), 2)
    0.64
    """
    if not 0.0 <= water_c <= 45.0:  # noqa: PLR2004 - the range of the docstring
        raise KettlestoneError(f"water_c is {water_c:g}; a membrane works from 0 to 45 °C")
    return float(FLOW_PER_DEGREE ** (water_c - RATED_AT_C))


def membrane_day(product: Range, bypass: float, membrane: Membrane) -> MembraneDay:
    """Split a day's product into its streams.

    Parameters
    ----------
    product : litres a day drawn [L].
    bypass : share of raw water in the product [-].
    membrane : the unit.

    Returns
    -------
    MembraneDay; waste = permeate (1/recovery - 1).

    Raises
    ------
    KettlestoneError : a recovery outside 0–1 or a flow that is not above 0.
    """
    if not 0.0 < membrane.recovery < 1.0:
        raise KettlestoneError(f"recovery is {membrane.recovery:g}; give a share between 0 and 1")
    if membrane.rated_litres_per_hour <= 0.0:
        raise KettlestoneError(f"rated_litres_per_hour is {membrane.rated_litres_per_hour:g}; give a flow above 0")
    hourly = membrane.rated_litres_per_hour * flow_factor(membrane.water_c)

    def stream(of: Callable[[float], float], unit: str = "litre/day") -> Range:
        return Range(of(product.value), of(product.low), of(product.high), unit)

    permeate_share = 1.0 - bypass
    hours = stream(lambda litres: litres * permeate_share / hourly, "h")
    long_day = hours.value > LONG_DAY_HOURS
    return MembraneDay(
        permeate=stream(lambda litres: litres * permeate_share),
        raw=stream(lambda litres: litres * bypass),
        feed=stream(lambda litres: litres * permeate_share / membrane.recovery),
        waste=stream(lambda litres: litres * permeate_share * (1.0 / membrane.recovery - 1.0)),
        total=stream(lambda litres: litres * (permeate_share / membrane.recovery + bypass)),
        litres_per_hour=hourly,
        hours=hours,
        notes=(Said("size.membrane-tank", {"hours": hours.value}),) * long_day,
    )
