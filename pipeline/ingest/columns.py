"""What each column of a table holds: the headings of one row read together under one layout."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pipeline.ingest.headings import DROP_TESTS, Heading, read_heading
from pipeline.ingest.meanings import Meaning, own_form
from pipeline.ingest.spellings import heading_words, key, word_keys
from pipeline.ingest.titrants import titrant_of, titrant_text
from pipeline.notation.grammar import read_unit
from pipeline.notation.signs import fold

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from pipeline.ingest.layout_file import Layout
    from pipeline.ingest.unit_text import UnitText

# Signs that stand in a column of their own, and what each says.
CENSORING_SIGNS: Final = {"<": "<", ">": ">", "~": "~", "≤": "<", "≥": ">", "<=": "<", ">=": ">", "ca.": "~", "≈": "~"}
# A number, maybe with a sign before it.
FIGURE: Final = r"^[<>≤≥~]?\s*[-+\u2212]?(?:\d[\d.,'’ ]*|\.\d+)(?:[eE][-+]?\d+)?$"
_MEASURED_FORMS: Final = ("value", "drops", "titrant_ml")
_MILLILITRES: Final = ("ml", "cc", "ccm", "cm3", "毫升")
_KIT_FIELDS: Final = ("used_ml", "nominal_ml", "degree_per_drop", "degree_unit")
_TITRANT_UNITS: Final = {
    **dict.fromkeys(("mol l", "mol dm3", "mol l 1", "mol litre", "mol liter"), "titrant_molarity"),
    **dict.fromkeys(("eq l", "val l", "eq dm3", "eq l 1"), "titrant_normality"),
}
# What is titrated with a titrant where the sheet does not say it [CP].
_TITRATED: Final = {"EDTA": "total_hardness", **dict.fromkeys(("HCl", "H2SO4", "HNO3"), "alkalinity")}
_OF_MASS: Final = frozenset({"mg/L", "ppm", "ug/L", "g/L"})
_LABORATORY: Final = re.compile(r"lab(?:or|oratory|oratoire|oratorio|no|nr|id|sample)?\b")
_SITE_CODE: Final = re.compile(
    r"^(?:id|nr|no|cod|code|codigo|codice|kod|kode)\b"
    r"|\b(?:id|no|number|codice|codigo|cod|kod|ref|key|schl)$|(?:nr|code|kode|nummer|numero|schlussel|kennziffer)$"
    r"|^(?:site|sta)id$"
)


@dataclass(frozen=True)
class SourceColumn:
    """One column.

    ``role``: "measurement" (entries; ``analyte`` is "" where each row names its own; of volumes the ``unit`` is what
    the heading says of the titrant), "about" (``code`` is a row field, ``basis`` the substance of a titrant; with
    ``analyte``, a kit field of that test alone), "companion" (``code`` qualifier, unit or limit of ``analyte``), a
    role of a long table, "ignored", "no_chemistry" (germs, smell) or "unknown".
    """

    position: int
    heading: str
    role: str
    code: str = ""
    analyte: str = ""
    form: str = "value"
    unit: str = ""
    basis: str = ""
    ec_reference: str = ""
    tds_scale: str = ""
    compensation: str = ""
    time_zone: str = ""
    stage: str = ""
    sample: str = ""
    drop: tuple[str, str] = ("", "")
    own: bool = False


def looks_numeric(texts: pd.Series) -> bool:
    """Say whether at least half of the filled cells are numbers, maybe with a sign before them."""
    filled = texts[texts != ""]
    return bool(len(filled)) and bool(filled.str.match(FIGURE).mean() >= 0.5)  # noqa: PLR2004 (half)


def numbers_places(heading: str) -> bool:
    """Say whether a heading names the number or code of something, "Site ID", "ID_PUNTO", and not its name."""
    return bool(_SITE_CODE.search(" ".join(key(heading).replace("_", " ").split())))


def read_columns(
    cells: Sequence[str], layout: Layout, orientation: str, units: Sequence[UnitText | None] = ()
) -> tuple[SourceColumn, ...]:
    """Read a row as headings.

    Parameters
    ----------
    cells : the header row.
    layout : whose own spellings count first.
    orientation : decides whether a heading such as "Calcium" or one such as "Value" holds the entries.
    units : of a row of units below the header; a unit in the heading goes before it, the layout's after.
    """
    return _read_columns(tuple(cells), layout, orientation, tuple(units))


@lru_cache(maxsize=1024)
def _read_columns(
    cells: tuple[str, ...], layout: Layout, orientation: str, units: tuple[UnitText | None, ...]
) -> tuple[SourceColumn, ...]:
    headings = [read_heading(cell, layout.own) for cell in cells]
    present = frozenset(
        {key(cell) for cell in cells}
        | {key(heading.name) for heading in headings}
        | {meaning.code for heading in headings if (meaning := heading.chosen()) is not None}
    )
    wide = orientation == "samples-in-rows"
    below = [*units, *[None] * len(cells)]
    columns = [
        _column(number, _with_unit(heading, unit), heading.chosen(present), layout, wide=wide)
        for number, (heading, unit) in enumerate(zip(headings, below, strict=False))
    ]
    return _paired(columns)


def _with_unit(heading: Heading, unit: UnitText | None) -> Heading:
    if unit is None:
        return heading
    return replace(
        heading,
        unit=heading.unit or unit.unit,
        basis=heading.basis or unit.basis,
        at=heading.at or unit.at,
    )


def _column(number: int, heading: Heading, meaning: Meaning | None, layout: Layout, *, wide: bool) -> SourceColumn:
    blank = SourceColumn(number, heading.text, "unknown", time_zone=heading.time_zone)
    if meaning is None:
        return replace(blank, unit=heading.unit)
    if meaning.kind == "field":
        known = (not heading.affix and _fits(meaning.code, heading.unit)) or heading.own
        # What one drop is worth is the only field whose heading may state its unit.
        unit = heading.unit if meaning.code == "degree_per_drop" else ""
        code = _titrant(meaning, heading) if meaning.code.startswith("titrant_") else meaning.code
        return replace(blank, role="about" if known else "unknown", code=code, own=heading.own, unit=unit)
    if meaning.kind == "role":
        return _long_column(blank, heading, meaning.code, wide=wide)
    return _analyte_column(blank, heading, meaning, layout) if wide and heading.affix != "statistic" else blank


def _titrant(meaning: Meaning, heading: Heading) -> str:
    """Tell moles from equivalents by the unit; an acid of one proton, whose meaning has a unit, has as many of both."""
    unit = key(heading.unit)
    if meaning.code == "titrant_concentration":
        return _TITRANT_UNITS.get(unit, meaning.code)
    if meaning.code == "titrant_normality" and not meaning.unit and _TITRANT_UNITS.get(unit) == "titrant_molarity":
        return "titrant_concentration"
    return meaning.code


def _fits(field: str, unit: str) -> bool:
    """Tell whether a field can stand in the unit of its heading: volumes are read in millilitres."""
    return not unit or not field.endswith("_ml") or fold(unit).text in _MILLILITRES


def _long_column(blank: SourceColumn, heading: Heading, role: str, *, wide: bool) -> SourceColumn:
    if role in _MEASURED_FORMS and not wide:
        entries = replace(blank, role="measurement", form=role, code=role, own=heading.own)
        return replace(entries, unit=heading.unit, basis=heading.basis) if role == "value" else entries
    return replace(blank, role=role, own=heading.own)


def _analyte_column(blank: SourceColumn, heading: Heading, meaning: Meaning, layout: Layout) -> SourceColumn:
    at = heading.at or meaning.ec_reference.removesuffix(" °C")
    column = replace(
        blank,
        role="measurement",
        analyte=meaning.code,
        unit="" if heading.affix == "drops" else heading.unit or meaning.unit or layout.units.get(meaning.code, ""),
        basis=own_form(meaning.code, heading.basis or meaning.basis or form_of_mass(meaning.mass_basis, heading.unit)),
        ec_reference=f"{at} °C" if at and meaning.code == "conductivity" else "",
        tds_scale=dried_at(meaning, at),
        compensation="" if at else meaning.compensation,
        stage=heading.stage,
        drop=heading.drop,
        own=heading.own,
    )
    if heading.affix in ("unit", "qualifier", "limit"):
        return replace(column, role="companion", code=heading.affix)
    if heading.affix in _KIT_FIELDS:
        return replace(column, role="about", code=heading.affix)
    return replace(column, form=heading.affix or "value")


def form_of_mass(form: str, unit: str) -> str:
    """Give the form that a quantity is counted in where its unit is a mass in a volume, "" for any other unit."""
    found = read_unit(unit) if form and unit else None
    return form if found is not None and {*found.codes} <= _OF_MASS and found.codes else ""


def dried_at(meaning: Meaning, at: str) -> str:
    """Say at what temperature a residue was dried, if the heading says so."""
    return f"dried at {at} °C" if meaning.tds_scale == "dried" and at else meaning.tds_scale


def _paired(columns: list[SourceColumn]) -> tuple[SourceColumn, ...]:
    """Settle what a column is beside the others: typed values, remarks without a value, bare drops."""
    counted = {(column.analyte, column.stage) for column in columns if column.form in ("drops", "titrant_ml")}
    measured = {(column.analyte, column.stage) for column in columns if column.role == "measurement"}
    paired = [_settled(column, counted, measured) for column in _with_worths(_with_neighbours(columns))]
    paired = [_filtered(column, paired) for column in _with_own_names(_with_site_codes(paired))]
    paired = [_by_titrant(column, paired) for column in paired]
    tests = {column.analyte for column in paired if column.role == "measurement" and column.analyte in DROP_TESTS}
    if len(tests) == 1:
        paired = [_of_only_test(column, *tests) for column in paired]
    return tuple(_with_titrant(column) for column in paired)


def _with_neighbours(columns: list[SourceColumn]) -> list[SourceColumn]:
    """Let a bare "Unit" or "Flag" that follows each of several quantities speak for the one left of it.

    So does "°dH per drop", where each count of drops has its own.
    """
    followed = [
        (column, before)
        for before, column in pairwise(columns)
        if column.role in ("unit", "qualifier", "limit") and before.role == "measurement" and before.analyte
    ]
    worths = [
        (column, before)
        for before, column in pairwise(columns)
        if column.role == "about" and column.code == "degree_per_drop" and not column.analyte and before.form == "drops"
    ]
    spoken: dict[int, SourceColumn] = {}
    if len(followed) > 1 and any(column.role == "unit" for column, _ in followed):
        spoken |= {column.position: before for column, before in followed}
    if len(worths) > 1:
        spoken |= {column.position: before for column, before in worths}
    return [_speaking(column, of) if (of := spoken.get(column.position)) is not None else column for column in columns]


def _speaking(column: SourceColumn, of: SourceColumn) -> SourceColumn:
    """Let a column speak for the quantity of another."""
    if column.role == "about":
        return replace(column, analyte=of.analyte, stage=of.stage)
    return replace(column, role="companion", code=column.role, analyte=of.analyte, stage=of.stage)


def _with_worths(columns: list[SourceColumn]) -> list[SourceColumn]:
    """Let a bare "Unit" say the degree that one drop is worth: right of "Degrees per drop", or where all is counted."""
    worths = [c for c in columns if c.role == "about" and c.code == "degree_per_drop" and not c.unit]
    if not worths or any(column.code == "degree_unit" for column in columns):
        return columns
    counted = all(c.form == "drops" for c in columns if c.role == "measurement")
    beside = {worth.position + 1: worth for worth in worths}
    return [
        replace(column, role="about", code="degree_unit", analyte=worth.analyte, stage=worth.stage)
        if column.role == "unit" and (worth := beside.get(column.position, worths[0] if counted else None)) is not None
        else column
        for column in columns
    ]


def _filtered(column: SourceColumn, columns: Sequence[SourceColumn]) -> SourceColumn:
    """Take "Filtered" beside the raw water of the same quantity for what came through the filter, no fraction."""
    if column.role != "measurement" or column.stage or _filter_words().isdisjoint(key(column.heading).split()):
        return column
    raw = any(other.analyte == column.analyte and other.stage == "raw" for other in columns)
    return replace(column, stage="treated") if raw else column


@lru_cache(maxsize=1)
def _filter_words() -> frozenset[str]:
    return frozenset(word_keys(heading_words()["filtered words"], "de"))


def _with_titrant(column: SourceColumn) -> SourceColumn:
    """Let a column of volumes say as its unit what its heading says of the titrant, and any other the substance."""
    if column.role == "measurement" and column.form == "titrant_ml":
        return replace(column, unit=titrant_text(column.heading))
    if column.role == "about" and column.code.startswith("titrant_"):
        return replace(column, basis=titrant_of(column.heading).substance)
    return column


def _settled(column: SourceColumn, counted: set[tuple[str, str]], measured: set[tuple[str, str]]) -> SourceColumn:
    about = (column.analyte, column.stage)
    if column.role == "companion" and about not in measured:
        return replace(column, role="unknown")
    if column.role == "measurement" and column.form in ("value", "typed"):
        return replace(column, form="typed" if about in counted else "value")
    return column


def _with_site_codes(columns: list[SourceColumn]) -> list[SourceColumn]:
    """Take "Site ID" beside "Site name" for the code of the site; alone it is the site."""
    sites = [column for column in columns if column.role == "about" and column.code == "site" and not column.own]
    coded = [column for column in sites if numbers_places(column.heading)]
    if not coded or len(coded) == len(sites):
        return columns
    return [replace(column, code="site_code") if column in coded else column for column in columns]


def _with_own_names(columns: list[SourceColumn]) -> list[SourceColumn]:
    """Take "Client ID" beside "Lab ID" for what the client calls the sample, not for who the client is."""
    of_laboratory = any(column.code == "label" and _LABORATORY.match(key(column.heading)) for column in columns)
    clients = [column for column in columns if column.role == "about" and column.code == "client" and not column.own]
    if not of_laboratory or len(clients) != 1 or not numbers_places(clients[0].heading):
        return columns
    return [replace(column, code="sampling_point") if column is clients[0] else column for column in columns]


def _by_titrant(column: SourceColumn, columns: Sequence[SourceColumn]) -> SourceColumn:
    """Take "mL EDTA" for the total hardness and "mL HCl" for the alkalinity, where no other column is of these."""
    analyte = _titrated(column)
    others = (other for other in columns if other is not column)
    if not analyte or any(analyte in (_titrated(other), other.analyte) for other in others):
        return column
    return replace(column, role="measurement", form=column.role, analyte=analyte)


def _titrated(column: SourceColumn) -> str:
    """Give what is titrated with the titrant of a bare volume."""
    return _TITRATED.get(titrant_of(column.heading).substance, "") if column.role == "titrant_ml" else ""


def _of_only_test(column: SourceColumn, analyte: str) -> SourceColumn:
    """Give a bare "Drops" column to the one titration of the sheet."""
    if column.role in ("drops", "titrant_ml"):
        return replace(column, role="measurement", form=column.role, analyte=analyte)
    return column
