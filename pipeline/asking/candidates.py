"""The units that people give a quantity in, each with what one of it is worth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

from pipeline.asking.answers import heading_of
from pipeline.asking.open_units import FORM, WORTH
from pipeline.ingest.spellings import key
from pipeline.normalise.units import resolve
from pipeline.notation.grammar import read_unit
from pipeline.reference import table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.asking.open_units import CellKind

# Units in use beside those of mass and amount in a litre [CP].
_OWN: Final[dict[str, tuple[str, ...]]] = {
    "temperature": ("°C", "°F"),
    "conductivity": ("µS/cm", "mS/cm", "mS/m"),
    "turbidity": ("NTU",),
    "tds": ("mg/L", "g/L"),
}
_DEGREES: Final = ("°dH", "°f", "°e", "gpg")
_OF_DEGREES: Final = frozenset(
    {"total_hardness", "calcium_hardness", "magnesium_hardness", "alkalinity", "carbonate_hardness"}
)
_TRACES: Final = frozenset({"iron", "manganese", "copper", "lead", "fluoride", "ammonium"})
_AMOUNTS: Final = ("mmol/L", "meq/L")
_WORTHS: Final = (*((1.0, unit) for unit in _DEGREES), (0.5, "°dH"), (10.0, "mg/L"), (20.0, "mg/L"))  # of a drop [CP]


# What a heading alone makes people think of: kits of the trade and tables of the country [CP].
_CUSTOMARY: Final = {
    **dict.fromkeys(("gh", "kh", "dgh", "dkh", "harte", "gesamtharte", "karbonatharte", "carbonatharte"), "°dH"),
    **dict.fromkeys(("th", "tac", "durete", "durete totale", "durezza", "durezza totale"), "°f"),
}


@dataclass(frozen=True)
class UnitCandidate:
    """A unit that a column may be in: canonical = factor · number + offset."""

    text: str
    factor: float
    offset: float = 0.0


def candidates(kind: CellKind) -> tuple[UnitCandidate, ...]:
    """List the units a column may be in, each worth once; of one that waits for its form, its unit in every form."""
    if kind.waits_for == WORTH:
        return _drop_worths()
    texts = _texts(kind.analyte)
    if kind.waits_for == FORM and (stated := read_unit(kind.unit)) is not None:
        forms = [text.partition(" as ")[2] for text in texts if " as " in text]
        texts = tuple(f"{stated.written} as {form}" for form in forms)
    found: dict[tuple[float, float], UnitCandidate] = {}
    for text in texts:
        meaning = resolve(kind.analyte, text, kind.basis)
        if not meaning.problem:
            worth = round(meaning.factor, 9), meaning.offset
            found.setdefault(worth, UnitCandidate(text, meaning.factor, meaning.offset))
    return tuple(found.values())


def customary(kind: CellKind) -> str:
    """Give the unit that the heading of a column stands for where nothing else is said, "" for most."""
    words = key(heading_of(kind.column)).split()
    tried = (" ".join(words[start:]) for start in range(len(words)))  # "Rohwasser GH"
    return next((_CUSTOMARY[name] for name in tried if name in _CUSTOMARY), "")


def stand_in(kind: CellKind, listed: Sequence[UnitCandidate]) -> UnitCandidate:
    """Give the unit in which the numbers of a column are read as long as it waits; of counts, the first degree."""
    return UnitCandidate(_DEGREES[0], listed[0].factor) if kind.waits_for == WORTH else listed[0]


@cache
def _drop_worths() -> tuple[UnitCandidate, ...]:
    """List what a drop may be worth; a count is read as degrees of hardness, whatever is titrated."""
    return tuple(
        UnitCandidate(f"{number:g} {unit} per drop", number * resolve("total_hardness", unit, "as CaCO3").factor)
        for number, unit in _WORTHS
    )


@cache
def _texts(analyte: str) -> tuple[str, ...]:
    if analyte in _OWN:
        return _OWN[analyte]
    listed = table("quantity_forms").fillna("").set_index("quantity")
    if analyte not in listed.index:
        return ("mg/L", "µg/L")
    own, others = str(listed.loc[analyte, "own"]), str(listed.loc[analyte, "forms"])
    # The form stands beside the unit wherever a bare mg/L is asked for.
    plain = ANALYTES[analyte].basis != "as CaCO3" if analyte in ANALYTES else not own
    forms = [form for form in others.split("; ") if form]
    bare = "mg/L" if plain else f"mg/L {own}"
    degrees = _DEGREES if analyte in _OF_DEGREES else ()
    traces = ("µg/L",) if analyte in _TRACES else ()
    return (bare, *traces, *degrees, *_AMOUNTS, *(f"mg/L {form}" for form in forms))
