"""What the names of the table of spellings stand for: quantities, row fields, roles of columns."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from pipeline.ingest.spellings import exact_key, heading_words, key, word_keys
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Mapping

# Forms that only repeat the usual way to state the quantity.
_OWN_FORMS: Final = {
    "toc": ("C",),
    "doc": ("C",),
    "cod": ("O2",),
    "bod": ("O2",),
    "oxidisability": ("O2",),
}


# Beside one of these a bare symbol such as "na" or "k" stands for its ion.
_MAIN_IONS: Final = ("calcium", "magnesium", "sodium", "bicarbonate", "chloride", "sulfate", "nitrate")


@dataclass(frozen=True)
class Meaning:
    """What a spelling stands for.

    ``kind`` is "analyte" (``code`` an analyte), "field" (``code`` a row field) or "role" (``code`` one of
    the roles of a long table, "ignored" or "no_chemistry"). ``compensation`` "none": a conductivity at the temperature
    of the water. ``beside``: valid only if the file has one of these too; ``unless``: not if it has one of these.
    ``mass_basis``: what a number counts whose unit is a mass in a volume, as the trade of the language has it.
    """

    kind: str
    code: str
    basis: str = ""
    unit: str = ""
    ec_reference: str = ""
    tds_scale: str = ""
    compensation: str = ""
    beside: tuple[str, ...] = ()
    unless: tuple[str, ...] = ()
    mass_basis: str = ""

    def holds(self, present: frozenset[str]) -> bool:
        """Tell whether it is valid in a file that has these analytes and heading keys."""
        return (not self.beside or not present.isdisjoint(self.beside)) and present.isdisjoint(self.unless)


@dataclass(frozen=True, eq=False)
class OwnSpellings:
    """Spellings of one layout, by key; ``only`` leaves the common table out."""

    folded: Mapping[str, Meaning]
    only: bool = False


@dataclass(frozen=True)
class _Spellings:
    folded: Mapping[str, tuple[Meaning, ...]]
    exact: Mapping[str, tuple[Meaning, ...]]


def as_meaning(group: Mapping[str, Any]) -> Meaning:
    """Give the meaning that an entry of a table states."""
    kind = next(name for name in ("analyte", "field", "role") if name in group)
    beside = group.get("beside", ())
    return Meaning(
        kind,
        str(group[kind]),
        basis=str(group.get("basis", "")),
        unit=str(group.get("unit", "")),
        ec_reference=str(group.get("ec_reference", "")),
        tds_scale=str(group.get("tds_scale", "")),
        compensation=str(group.get("compensation", "")),
        beside=tuple(code for name in beside for code in (_MAIN_IONS if name == "ions" else (str(name),)))
        if isinstance(beside, list)
        else (),
        unless=tuple(group.get("unless", ())),
        mass_basis=str(group.get("mass_basis", "")),
    )


@lru_cache(maxsize=1)
def _spellings() -> _Spellings:
    folded: dict[str, tuple[Meaning, ...]] = {}
    exact: dict[str, tuple[Meaning, ...]] = {}
    for group in heading_words()["groups"]:
        meaning = as_meaning(group)
        for language, words in group["headings"].items():
            for spelling in word_keys(words, language):
                folded[spelling] = (*folded.get(spelling, ()), meaning)
        for word in group.get("exact", ()):
            exact[exact_key(word)] = (*exact.get(exact_key(word), ()), meaning)
    return _Spellings({name: tuple(dict.fromkeys(found)) for name, found in folded.items()}, exact)


def meanings(text: str) -> tuple[Meaning, ...]:
    """Look a name up: exact case first (chemical symbols), then without regard to case."""
    known, folded = _spellings(), key(text)
    return known.exact.get(exact_key(text)) or known.folded.get(folded) or known.folded.get(_initials(folded), ())


def _initials(folded: str) -> str:
    """Write single letters as the word they stand for: "C.E." as "CE"; other names stay as they are."""
    letters = folded.split()
    return "".join(letters) if len(letters) > 1 and all(len(one) == 1 for one in letters) else folded


def known_spellings() -> dict[str, tuple[Meaning, ...]]:
    """Give every spelling of the table, folded."""
    return {**_spellings().folded, **{name.casefold(): found for name, found in _spellings().exact.items()}}


def own_form(analyte: str, basis: str) -> str:
    """Say "as ion" where the basis only repeats the quantity's own symbol ("calcium as Ca").

    Example
    -------
    >>> own_form("calcium", "as Ca"), own_form("total_hardness", "as Ca")
    ('as ion', 'as Ca')
    """
    form = basis.removeprefix("as ")
    if form == basis or (analyte in ANALYTES and ANALYTES[analyte].basis != "as ion"):
        return basis
    repeated = any(found.code == analyte and not found.basis for found in meanings(form))
    return "as ion" if repeated or form in _OWN_FORMS.get(analyte, ()) else basis
