"""The entries of tables that name the quantity in each row, with one or several value columns."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.columns import dried_at, form_of_mass
from pipeline.ingest.entries import ColumnEntries, Source, has_content, signs, with_forms
from pipeline.ingest.headings import read_heading
from pipeline.ingest.meanings import OwnSpellings, own_form
from pipeline.ingest.spellings import key, word_table
from pipeline.ingest.unit_text import UnitText, split_unit
from pipeline.notation.grammar import carries_form, read_unit
from pipeline.notation.vocabulary import stated_form
from pipeline.texts import TextColumn, composed, first_rows, numbered

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import numpy.typing as npt

    from pipeline.arrays import Flags, Places
    from pipeline.ingest.columns import SourceColumn

# A table has at most a few hundred parameters; texts beyond this many are not looked up one by one.
_NAMES: Final = 5_000
# Quantities without a concentration of a substance.
_NO_SUBSTANCE: Final = ("", "temperature", "ph", "conductivity", "turbidity", "redox", "saturation_index", "colour")
_NO_BASIS: Final = ("none", "nf", "nvt", "total", "dissolved")


@dataclass(frozen=True)
class Parameter:
    """What the name of a parameter says; ``analyte`` "" if it is none, ``field`` if it is a row field."""

    analyte: str = ""
    field: str = ""
    unit: str = ""
    basis: str = ""
    ec_reference: str = ""
    tds_scale: str = ""
    compensation: str = ""
    mass_basis: str = ""


@dataclass(frozen=True)
class LongEntries:
    """Blocks of entries, the names of the rows, and the rows that state facts instead of results.

    ``facts`` holds, for each value column, what such rows say ("Probenahmedatum | | 12.03.2025").
    """

    blocks: list[ColumnEntries]
    names: TextColumn
    is_fact: npt.NDArray[np.bool_]
    facts: dict[int, dict[str, str]]


def long_entries(source: Source) -> LongEntries:
    """Collect the entries of a long table, or of one with a column for each sample."""
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    names = source.first_stated(source.having("analyte"), everywhere)
    codes = source.first_stated(source.having("analyte_code"), everywhere)
    lookup = _parameters(source, names, codes)
    meant = composed([names, codes], lambda name, code: _joined_name(name, code, lookup))
    is_fact = np.zeros(len(source.rows), dtype=bool)
    facts: dict[int, dict[str, str]] = {}
    if not _labelled(source):
        is_fact = meant.mask(lambda text: bool(lookup[text].field))
        facts = {column.position: _facts(source, column, meant, is_fact, lookup) for column in source.match.measured}
    blocks = [_block(source, column, meant, is_fact, lookup) for column in source.match.measured]
    return LongEntries(with_forms(source, blocks), names.otherwise(codes), is_fact, facts)


def beside_water(name: str) -> bool:
    """Tell whether the name of a parameter is known as none of the chemistry of a water: air, flow, germs, smell."""
    meaning = read_heading(name).chosen()
    return meaning is not None and meaning.code in ("ignored", "no_chemistry")


def _labelled(source: Source) -> bool:
    return any(column.role == "about" and column.code == "label" for column in source.match.columns)


def _parameters(source: Source, names: TextColumn, codes: TextColumn) -> dict[str, Parameter]:
    """Look every distinct name up once; a name may depend on which others the file has."""
    return _looked_up([*names.texts[:_NAMES], *codes.texts[:_NAMES]], OwnSpellings(source.match.layout.own.folded))


def names_by_company(source: Source, table: Places, size: int) -> Flags:
    """Tell the tables of a stack in which a name means something else than in the company of all the others.

    Parameters
    ----------
    source : the stack.
    table : (n,) number of the table of each body row.
    size : how many tables there are.
    """
    everywhere = np.arange(len(source.rows), dtype=np.int64)
    named = [source.first_stated(source.having(role), everywhere) for role in ("analyte", "analyte_code")]
    own = OwnSpellings(source.match.layout.own.folded)
    together = _looked_up([text for column in named for text in column.texts], own)
    meant = [meaning for text in together for meaning in read_heading(text, own).meanings]
    if not any(meaning.beside or meaning.compensation for meaning in meant):
        return np.zeros(size, dtype=bool)
    said: list[list[str]] = [[] for _ in range(size)]
    for column in named:
        first = first_rows(numbered([(table, size), column.distinct()]))
        for number, text in zip(table[first].tolist(), column.take(first).tolist(), strict=True):
            said[number].append(text)
    return np.array([not _looked_up(texts, own).items() <= together.items() for texts in said], dtype=bool)


def _looked_up(texts: Sequence[str], own: OwnSpellings) -> dict[str, Parameter]:
    headings = {text: read_heading(text, own) for text in dict.fromkeys(texts)}
    plain = (heading.chosen() for heading in headings.values())
    words = {key(said) for text, heading in headings.items() for said in (text, heading.name)}
    present = frozenset(words | {meaning.code for meaning in plain if meaning is not None})
    found: dict[str, Parameter] = {}
    for text, heading in headings.items():
        meaning = heading.chosen(present)
        if meaning is None or heading.affix or meaning.kind == "role":
            found[text] = Parameter()
        elif meaning.kind == "field":
            found[text] = Parameter(field=meaning.code)
        else:
            at = heading.at or meaning.ec_reference.removesuffix(" °C")
            found[text] = Parameter(
                analyte=meaning.code,
                unit=heading.unit or meaning.unit,
                basis=heading.basis or meaning.basis,
                ec_reference=f"{at} °C" if at and meaning.code == "conductivity" else "",
                tds_scale=dried_at(meaning, at),
                compensation="" if at else meaning.compensation,
                mass_basis=meaning.mass_basis,
            )
    raw = next((one.compensation for one in found.values() if one.compensation), "")
    if raw:
        # The temperature of the water is what such a conductivity needs, so it is told of the same row.
        found |= {text: replace(one, compensation=raw) for text, one in found.items() if one.analyte == "temperature"}
    return {"": Parameter(), **found}


def _joined_name(name: str, code: str, lookup: Mapping[str, Parameter]) -> str:
    """Choose the text that is understood: the name, else the code."""
    known = [text for text in (name, code) if lookup.get(text, Parameter()) != Parameter()]
    return known[0] if known else ""


def _facts(
    source: Source,
    column: SourceColumn,
    meant: TextColumn,
    is_fact: npt.NDArray[np.bool_],
    lookup: Mapping[str, Parameter],
) -> dict[str, str]:
    at = np.flatnonzero(is_fact)
    stated = source.category(column.position).take(at)
    facts: dict[str, str] = {}
    for row, text in zip(at.tolist(), (stated.texts[code] for code in stated.codes), strict=True):
        if text:
            facts.setdefault(lookup[meant.texts[meant.codes[row]]].field, text)
    return facts


def _block(
    source: Source,
    column: SourceColumn,
    meant: TextColumn,
    is_fact: npt.NDArray[np.bool_],
    lookup: Mapping[str, Parameter],
) -> ColumnEntries:
    layout = source.match.layout
    texts = source.texts(column.position)
    has_value = has_content(texts, layout)
    entry = has_value & ~is_fact
    conditions = source.having("condition")
    for condition in conditions:
        entry |= has_content(source.texts(condition.position), layout) & ~is_fact
    at = np.flatnonzero(entry)
    about = _about(source, column, at, meant.kept(at), lookup)
    kept = texts if len(at) == len(texts) else texts.take(pa.array(at))
    if conditions:
        kept = _with_conditions(source, at, kept, has_value[at], about)
    if any(about["limit_unit"].texts):
        about["raw_unit"] = _unit_of_limit(source, kept, has_value[at], about)
    return ColumnEntries(column, at, kept, about)


def _about(
    source: Source,
    column: SourceColumn,
    at: npt.NDArray[np.int64],
    meant: TextColumn,
    lookup: Mapping[str, Parameter],
) -> dict[str, TextColumn]:
    layout = source.match.layout

    def of_name(part: Callable[[Parameter], str]) -> TextColumn:
        return meant.map(lambda text: part(lookup[text]))

    def stated(*roles: str) -> TextColumn:
        return source.first_stated([column for role in roles for column in source.having(role)], at)

    analyte = of_name(lambda parameter: parameter.analyte)
    written = stated("unit")
    units = {text: split_unit(text) or UnitText(text) for text in written.texts[:_NAMES]}
    default = composed(
        [analyte, of_name(lambda parameter: parameter.unit)],
        lambda code, unit: unit or _of_heading(column, code) or layout.units.get(code, ""),
    )
    basis = composed(
        [
            analyte,
            of_name(lambda parameter: parameter.basis),
            written.map(lambda text: units[text].basis if text in units else ""),
            stated("basis").map(_form),
            composed(
                [analyte, written],
                lambda code, unit: column.basis if not unit and _of_heading(column, code) else "",
            ),
        ],
        _agreed,
    )
    reference = composed(
        [
            analyte,
            of_name(lambda parameter: parameter.ec_reference),
            written.map(lambda text: units[text].at if text in units else ""),
        ],
        lambda code, name, unit: (f"{unit} °C" if unit else name) if code == "conductivity" else "",
    )
    raw_unit = written.map(lambda text: units[text].unit if text in units else text).otherwise(default)
    by_mass = composed([of_name(lambda parameter: parameter.mass_basis), raw_unit], form_of_mass)
    remark = stated("qualifier")
    method = composed(
        [analyte, stated("method").map(_method)],
        lambda code, said: said or layout.methods.get(code, layout.method),
    )
    return {
        "analyte": analyte,
        "raw_unit": raw_unit,
        "basis": basis.otherwise(by_mass),
        "qualifier_text": signs(remark),
        "limit_text": stated("limit", "quantitation_limit"),
        "limit_unit": stated("limit_unit"),
        "method": method,
        "status": stated("status").otherwise(remark.map(lambda text: "" if signs_text(text) else text)),
        "ec_reference": reference,
        "tds_scale": of_name(lambda parameter: parameter.tds_scale),
        "temperature_compensation": composed(
            [reference, of_name(lambda parameter: parameter.compensation)],
            lambda at, compensation: "" if at else compensation,
        ),
    }


def signs_text(text: str) -> bool:
    """Say whether a remark is a sign such as "<"."""
    return bool(signs(TextColumn.constant(text, 1)).texts[0])


def _form(text: str) -> str:
    """Write a basis the one way: "as N", "CaCO3" → "as N", "as CaCO3"; words for "none" are empty."""
    bare = text.strip()
    if key(bare) in _NO_BASIS:
        return ""
    return stated_form(bare) or bare


def _of_heading(column: SourceColumn, analyte: str) -> str:
    """Give the unit in the heading of the values to the quantities that can have it: "mg/L" is none of pH."""
    found = read_unit(column.unit)
    counts_substance = found is not None and carries_form(found.codes)
    return "" if counts_substance and analyte in _NO_SUBSTANCE else column.unit


def _agreed(analyte: str, name: str, unit: str, column: str, heading: str) -> str:
    """Join what name, unit and basis column say of the form, else the heading of the values; two that differ show."""
    said = [own_form(analyte, basis) for basis in (column, unit, name) if basis] or [own_form(analyte, heading)]
    return " / ".join(dict.fromkeys(said))


def _method(text: str) -> str:
    words = word_table("methods")
    return words.get(key(text), "")


def _with_conditions(
    source: Source,
    at: npt.NDArray[np.int64],
    texts: pa.Array,
    has_value: npt.NDArray[np.bool_],
    about: dict[str, TextColumn],
) -> pa.Array:
    """Let "Not Detected" with a limit stand for an empty value, as WQX 3.0 writes it [WQX3].

    A result below the limit keeps the words of its condition; one above the limit takes the limit as
    its text and the condition as its status, for the limit is then the figure that was read.
    """
    sides = {key(text): side for text, side in source.match.layout.conditions.items()}
    condition = source.first_stated(source.having("condition"), at)
    side = condition.map(lambda text: sides.get(key(text), ""))
    about["qualifier_text"] = about["qualifier_text"].over(side, has_value)
    about["status"] = about["status"].otherwise(condition).over(condition, has_value)
    above = side.mask(lambda text: text == ">") & ~has_value
    words = about["limit_text"].over(condition, above).array(texts.type)
    return pc.if_else(pa.array(has_value), texts, words)


def _unit_of_limit(
    source: Source, texts: pa.Array, has_value: npt.NDArray[np.bool_], about: dict[str, TextColumn]
) -> TextColumn:
    """Give a result that has no figure of its own the unit of the limit that stands for it [WQX3].

    The unit column is empty beside "Not Detected", for there is nothing to be counted in it. Where it
    is stated all the same the limit keeps its own unit and is converted on its own.
    """
    layout = source.match.layout
    words = pa.array({text.casefold() for text in (*layout.non_detect, *layout.conditions)}, type=texts.type)
    worded = pc.is_in(pc.utf8_lower(pc.utf8_trim_whitespace(texts)), value_set=words)
    silent = ~has_value | worded.to_numpy(zero_copy_only=False)
    above = ~has_value & about["qualifier_text"].mask(lambda sign: sign == ">")
    filled_in = about["raw_unit"].otherwise(about["limit_unit"]).over(about["raw_unit"], silent)
    return about["limit_unit"].otherwise(about["raw_unit"]).over(filled_in, above)
