"""Named waters for coffee: published standards, and the user's own, each number with its source."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

from pipeline.assess.user_tables import bounded_number, known_keys, read_tables, refused
from pipeline.reference import gathered, table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

HARDNESS_CODES: Final = ("calcium_hardness", "total_hardness")
_KEYS: Final = ("title", "source", *ANALYTES)
_BAND_KEYS: Final = ("low", "ideal", "high", "essential")
_MOST: Final = 1e6


@dataclass(frozen=True)
class Band:
    """What a profile asks of one quantity, in its canonical unit; an open side is infinite."""

    quantity: str
    low: float
    ideal: float
    high: float
    essential: bool
    source: str
    reading: str = ""

    @property
    def text(self) -> str:
        """Write the band as a report does: ``40 to 75``."""
        if math.isinf(self.low) or self.low == 0.0:
            return f"at most {self.high:g}"
        return f"at least {self.low:g}" if math.isinf(self.high) else f"{self.low:g} to {self.high:g}"


@dataclass(frozen=True)
class Profile:
    """A named water: its bands in the order of the source."""

    name: str
    bands: tuple[Band, ...]

    def band(self, *quantities: str) -> Band | None:
        """Give the first band of these quantities."""
        return next((band for band in self.bands if band.quantity in quantities), None)


@cache
def published() -> dict[str, Profile]:
    """Give the published profiles by name.

    The standards disagree: a water can pass one and fail another, so none is called "the" standard.

    Returns
    -------
    ``"2009 standard"``, ``"2018 handbook"``, ``"European water chart 2016"`` -> Profile.

    Example
    -------
    >>> published()["European water chart 2016"].band("alkalinity").text
    '40 to 75'
    """
    rows = table("water_profiles").fillna({"low": -math.inf, "high": math.inf, "ideal": math.nan, "reading": ""})
    return {
        name: Profile(
            name,
            tuple(
                Band(
                    row["quantity"],
                    float(row["low"]),
                    float(row["ideal"]),
                    float(row["high"]),
                    row["essential"] == "yes",
                    row["source"],
                    row["reading"],
                )
                for row in own
            ),
        )
        for name, own in gathered(rows.to_dict("records"), "profile").items()
    }


def load_profiles(path: Path) -> dict[str, Profile]:
    """Read profiles of one's own.

    Parameters
    ----------
    path : TOML with tables ``[profiles.NAME]``; in each, a quantity is ``{low = 50, high = 120}`` with
        either end left out for open, optionally ``ideal`` and ``essential`` (hardness and alkalinity
        are essential unless told otherwise); ``source`` says where the numbers come from.

    Returns
    -------
    name -> Profile.

    Raises
    ------
    KettlestoneError : the file cannot be read, names something unknown, or a range is upside down.
    """
    return {name: Profile(name, _bands(path, name, values)) for name, values in read_tables(path, "profiles").items()}


def _bands(path: Path, name: str, values: dict[str, object]) -> tuple[Band, ...]:
    place = f"profiles.{name}"
    known_keys(path, place, values, _KEYS)
    source = str(values.get("source", "the user's own profile"))
    quantities = [key for key in values if key in ANALYTES]
    if not quantities:
        raise refused(path, place, "no quantity is given; write for example alkalinity = {low = 40, high = 75}")
    return tuple(_band(path, f"{place}.{key}", key, values[key], source) for key in quantities)


def _band(path: Path, place: str, quantity: str, values: object, source: str) -> Band:
    if not isinstance(values, dict):
        raise refused(path, place, "write a range as {low = 40, high = 75}")
    known_keys(path, place, values, _BAND_KEYS)
    ends = {
        key: bounded_number(path, f"{place}.{key}", values[key], -_MOST, _MOST)
        for key in ("low", "ideal", "high")
        if key in values
    }
    low, high = ends.get("low", -math.inf), ends.get("high", math.inf)
    ideal = ends.get("ideal", math.nan)
    if not ends.keys() & {"low", "high"}:
        raise refused(path, place, "neither low nor high is given")
    if low > high or ideal < low or ideal > high:
        raise refused(path, place, f"low {low:g}, ideal {ideal:g}, high {high:g} are not in order")
    essential = values.get("essential", quantity in (*HARDNESS_CODES, "alkalinity"))
    if not isinstance(essential, bool):
        raise refused(path, place, "essential is true or false")
    return Band(quantity, low, ideal, high, essential, source)


def boxes(profiles: Iterable[Profile] | None = None) -> list[tuple[str, float, float, float, float]]:
    """Give the box of each profile on the hardness–alkalinity chart.

    Parameters
    ----------
    profiles : by default the published ones.

    Returns
    -------
    (name, hardness low, hardness high, alkalinity low, alkalinity high) [mg/L as CaCO3] of every profile
    that limits both; open ends are 0 or infinite.

    Example
    -------
    >>> boxes()[2]
    ('European water chart 2016', 50.0, 175.0, 40.0, 75.0)
    """
    found: list[tuple[str, float, float, float, float]] = []
    for profile in published().values() if profiles is None else profiles:
        hardness, alkalinity = profile.band(*HARDNESS_CODES), profile.band("alkalinity")
        if hardness and alkalinity:
            low, least = max(hardness.low, 0.0), max(alkalinity.low, 0.0)
            found.append((profile.name, low, hardness.high, least, alkalinity.high))
    return found
