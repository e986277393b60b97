"""Kits that count drops: what one drop is worth, at which volume, and how it is counted; shipped ones and one's own."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pipeline import reference
from pipeline.assess.user_tables import bounded_number, known_keys, read_tables, refused
from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.normalise.units import resolve

if TYPE_CHECKING:
    from collections.abc import Iterable

QUANTITIES: Final = ("hardness", "alkalinity")
COUNTED_IN_DROPS: Final = ("drop", "drops", "tropfen", "gouttes", "gocce", "gotas", "druppels")
COUNTING: Final = "the drop that turns the colour is counted"
_SHIPPED: Final = Path(reference.__file__).parent / "kits.toml"
_NUMBERS: Final = {
    "degree_per_drop": (0.001, 1000.0),
    "nominal_ml": (0.1, 1000.0),
    "bias_drops": (-2.0, 2.0),
    "shelf_months": (1.0, 240.0),
    "most_drops": (5.0, 1000.0),
}
_KEYS: Final = ("title", "degree_unit", "counting", "quantities", "expiry", *_NUMBERS)


@dataclass(frozen=True)
class Kit:
    """One kind of kit.

    Attributes
    ----------
    name, title : as it is chosen, and in words.
    degree_per_drop, degree_unit : worth of one drop at the nominal volume, as its maker states it.
    drop_mg_l : the same [mg/L as CaCO3].
    nominal_ml : sample volume it is made for [mL].
    counting : which drops count.
    bias_drops : how far the usual reading lies above the truth on average [drops].
    shelf_months : how long the reagent lasts after opening.
    most_drops : more is a slip of the pen, or a water for a smaller sample.
    quantities : of `QUANTITIES`.
    expiry : last day of the reagent, None where not known.
    """

    name: str
    title: str
    degree_per_drop: float
    degree_unit: str
    drop_mg_l: float
    nominal_ml: float
    counting: str = COUNTING
    bias_drops: float = 0.5
    shelf_months: float = 24.0
    most_drops: float = 60.0
    quantities: tuple[str, ...] = QUANTITIES
    expiry: date | None = None

    @property
    def worth_in_words(self) -> str:
        """Say what a drop is worth, and for how much water."""
        form = " as CaCO3" if self.degree_unit == "mg/L" else ""
        return f"{self.degree_per_drop:g} {self.degree_unit}{form} per drop at {self.nominal_ml:g} mL"

    def worth(self, used_ml: float) -> float:
        """Give the worth of one drop with a sample of so many millilitres [mg/L as CaCO3].

        Example
        -------
        >>> round(known_kits(None)["german-degree"].worth(5.0), 2)
        35.7
        """
        return self.drop_mg_l * self.nominal_ml / used_ml


@cache
def known_kits(path: Path | None) -> dict[str, Kit]:
    """Give the kits by name: those that are shipped, then one's own, which may replace them.

    Parameters
    ----------
    path : TOML with tables ``[kits.NAME]``; ``degree_per_drop``, ``degree_unit`` and ``nominal_ml`` are required,
        the rest has the values that are usual.

    Raises
    ------
    KettlestoneError : the file cannot be read, or something in it is unknown or out of range.
    """
    files = [_SHIPPED, *([] if path is None else [path])]
    return {name: _kit(file, name, values) for file in files for name, values in read_tables(file, "kits").items()}


def named_kit(name: str, path: Path | None) -> Kit:
    """Give the kit of a name.

    Raises
    ------
    KettlestoneError : there is none of that name; the nearest is named, and all that there are.
    """
    kits = known_kits(path)
    found = {own.casefold(): kit for own, kit in kits.items()}.get(name.strip().casefold())
    if found is None:
        listed = "\n".join(f"    {kit.name:20}{kit.title}" for kit in kits.values())
        raise KettlestoneError(
            f'there is no kit "{name}"{did_you_mean(name, kits)}\n  {UNCHANGED}\n  Kits:\n{listed}\n'
            '  Kits of your own: a TOML file named by the setting "kits".'
        )
    return found


def with_kits(answers: Iterable[str], path: Path | None) -> list[str]:
    """Write out what a drop is worth in answers that name a kit.

    Example
    -------
    >>> with_kits(["KH=german-degree-5", "calcium=mg/L"], None)
    ['KH=1 °dH per drop at 5 mL', 'calcium=mg/L']
    """
    kits = known_kits(path)
    written = []
    for answer in answers:
        name, _, said = answer.rpartition("=")
        kit = kits.get(said.strip().casefold())
        written.append(answer if kit is None or not name else f"{name}={kit.worth_in_words}")
    return written


def _kit(path: Path, name: str, values: dict[str, Any]) -> Kit:
    place = f"kits.{name}"
    known_keys(path, place, values, _KEYS)
    lacking = [key for key in ("degree_per_drop", "degree_unit", "nominal_ml") if key not in values]
    if lacking:
        raise refused(path, place, f"{lacking[0]} is missing")
    numbers = {
        key: bounded_number(path, f"{place}.{key}", values[key], *bounds)
        for key, bounds in _NUMBERS.items()
        if key in values
    }
    texts = {key: _text(path, f"{place}.{key}", values[key]) for key in ("degree_unit", "counting") if key in values}
    meaning = resolve("total_hardness", texts["degree_unit"], "as CaCO3" if texts["degree_unit"] == "mg/L" else "")
    if meaning.problem or meaning.offset:
        raise refused(path, f"{place}.degree_unit", f'"{texts["degree_unit"]}" is no unit of hardness')
    return Kit(
        name=name,
        title=str(values.get("title", name)),
        drop_mg_l=meaning.factor * numbers["degree_per_drop"],
        quantities=_quantities(path, f"{place}.quantities", values.get("quantities", list(QUANTITIES))),
        expiry=_day(path, f"{place}.expiry", values.get("expiry")),
        degree_unit=texts.pop("degree_unit"),
        **texts,  # type: ignore[arg-type]
        **numbers,  # type: ignore[arg-type]
    )


def _text(path: Path, place: str, value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise refused(path, place, f'"{value}" is not a text')
    return value.strip()


def _quantities(path: Path, place: str, value: object) -> tuple[str, ...]:
    chosen: Iterable[object] = value if isinstance(value, list) else [value]
    words = tuple(str(word) for word in chosen)
    if not words or not set(words) <= set(QUANTITIES):
        raise refused(path, place, f"quantities are a list of {', '.join(QUANTITIES)}")
    return words


def _day(path: Path, place: str, value: object) -> date | None:
    if value is None or (isinstance(value, date) and not isinstance(value, datetime)):
        return value
    raise refused(path, place, f'"{value}" is not a day such as 2027-12-31')
