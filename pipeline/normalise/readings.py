"""From the cells of one table to readings in canonical units, and the cells that must wait."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.normalise import numbers, units
from pipeline.normalise.conductivity import at_25c
from pipeline.normalise.intervals import with_intervals, with_stated_bounds
from pipeline.normalise.judging import broken_cells, mended, problems, with_breaches
from pipeline.normalise.kits import with_burettes, with_drop_counts
from pipeline.normalise.rows import typed
from pipeline.normalise.stacking import without_empty_texts
from pipeline.normalise.table_stack import stack_tables
from pipeline.normalise.uncertainty import with_uncertainty
from pipeline.notation.grammar import is_unit
from pipeline.texts import TextColumn, first_rows, numbered, united
from schemas.methods import QUALIFIERS
from schemas.tables import READING_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.arrays import Floats, Places
    from pipeline.ingest.extract import Extract
    from pipeline.ingest.table_part import TablePart
    from pipeline.normalise.table_stack import TableStack

_SEEN: Final = ("colour", "turbidity")  # quantities that are described in words as well
Aliases = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class NormaliseSettings:
    """What normalising may be told: the time zone of times that name none."""

    time_zone: str = "UTC"


@dataclass(frozen=True)
class Normalised:
    """What several tables hold, in canonical units.

    Attributes
    ----------
    rows : typed rows of all tables, one after the other, with `file_sha256`, and what was not read of them:
        `cells_not_read not_read`.
    readings : READING_COLUMNS; `row` is a position in rows.
    set_aside, notices : PROBLEM_COLUMNS.
    accepted, aside : (t,) readings of each table, and cells of it that were set aside.
    decimal_marks : (t,) what each table proved or declared.
    """

    rows: pd.DataFrame
    readings: pd.DataFrame
    set_aside: pd.DataFrame
    notices: pd.DataFrame
    accepted: Places
    aside: Places
    decimal_marks: tuple[str, ...]


def normalise(tables: Sequence[Extract | TablePart], files: Sequence[str], settings: NormaliseSettings) -> Normalised:
    """Bring the cells of several tables into canonical units, all at once.

    Parameters
    ----------
    tables : rows and cells of each table as text; each keeps its own decimal mark, date order and aliases.
    files : SHA-256 of the file of each table.
    settings : of the run.

    Returns
    -------
    Normalised; every cell is in ``readings`` or in ``set_aside``, in the order of the tables.

    Notes
    -----
    Numbers, units and contracts are judged over distinct texts and kinds, so the cost follows the
    variety of the files and not their number of good or bad rows; many small tables cost little more than one.
    """
    stack = stack_tables(tables, files)
    described = typed(stack, settings.time_zone)
    rows, cells = described.rows, stack.cells
    with ThreadPoolExecutor(1) as pool:
        broken = pool.submit(broken_cells, cells["raw_text"])
        read, marks = _numbers(stack)
    table = _laid_out(cells, rows, read)
    table = _converted(table, cells, read, _aliases(stack))
    table = with_drop_counts(table, described)
    table = with_burettes(table, described)
    table = at_25c(table, rows)
    table = with_uncertainty(table)
    table = with_breaches(table, broken.result())
    bad = TextColumn.from_series(table["problem"]).stated()
    odd = ~bad & TextColumn.from_series(read["detail"]).stated()
    of_table = cells["table"].to_numpy()
    return Normalised(
        rows=without_empty_texts(rows).assign(**_not_read(stack, table[bad])),
        readings=table.loc[~bad, READING_COLUMNS].reset_index(drop=True),
        set_aside=problems(table[bad]),
        notices=pd.concat([described.notices, mended(table[odd], read[odd])], ignore_index=True),
        accepted=np.bincount(of_table[~bad], minlength=len(stack.tables)),
        aside=np.bincount(of_table[bad], minlength=len(stack.tables)),
        decimal_marks=marks,
    )


def _not_read(stack: TableStack, bad: pd.DataFrame) -> dict[str, pd.Series]:
    """Count the cells of each row that were set aside, here or before, and name the quantities among them."""
    before = stack.cells_not_read
    row = bad["row"].to_numpy(dtype="int64")
    named = united(row, TextColumn.from_series(bad["analyte"]), len(before))
    return {
        "cells_not_read": pd.Series(before + np.bincount(row, minlength=len(before))),
        "not_read": named.series(),
    }


def _numbers(stack: TableStack) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Read the numbers of every table by its own marks; `stated_limit` is the number of a limit column."""
    cells = stack.cells
    styles = [
        numbers.NumberStyle(extract.decimal_char, frozenset(word.strip().casefold() for word in extract.non_detect))
        for extract in stack.tables
    ]
    table = cells["table"].to_numpy(dtype="int64")
    read, marks = numbers.parse_numbers(cells["raw_text"], table, styles, plain=cells["certain_number"])
    stated_limit = np.full(len(cells), np.nan)
    if cells["limit_text"].cat.categories.any():
        beside = [numbers.NumberStyle(mark) for mark in marks]
        stated_limit = numbers.parse_numbers(cells["limit_text"], table, beside)[0]["number"].to_numpy()
    return with_intervals(read.assign(stated_limit=stated_limit), table, marks), marks


def _aliases(stack: TableStack) -> tuple[Places, list[Aliases]]:
    """Give every cell the number of its table's own unit spellings, and the spellings by number."""
    own = [tuple(sorted(extract.unit_aliases.items())) for extract in stack.tables]
    distinct = list(dict.fromkeys(own))
    return np.array([distinct.index(one) for one in own], dtype="int32")[stack.cells["table"].to_numpy()], distinct


def _laid_out(cells: pd.DataFrame, rows: pd.DataFrame, read: pd.DataFrame) -> pd.DataFrame:
    """Start the table of readings: what is known of every cell before units are looked at."""
    row = cells["row"].to_numpy()
    stated = TextColumn.from_series(cells["qualifier_text"]).map(_sign)
    return pd.DataFrame(
        {
            "row": cells["row"].astype("int32"),
            "file_sha256": cells["file_sha256"],
            "line": cells["line"].astype("int32"),
            "column": cells["column"],
            "analyte": cells["analyte"],
            "number": read["number"],
            "qualifier": stated.otherwise(TextColumn.from_series(read["qualifier"])).category(),
            "method": cells["method"],
            "form": cells["form"],
            "raw_text": cells["raw_text"],
            "raw_unit": cells["raw_unit"],
            "raw_basis": cells["basis"],
            "instrument": pd.Series(pd.Categorical(rows["instrument"]).take(row)),
            "status": cells["status"],
            "problem": _or_described(read["problem"], cells),
            "detail": TextColumn.constant("", len(cells)).category(),
            "uncertainty": np.nan,
            "value_low": np.nan,
            "value_high": np.nan,
        }
    )


def _or_described(problem: pd.Series, cells: pd.DataFrame) -> pd.Series:
    """Tell words for what is seen ("colourless", "klar") from numbers that cannot be read."""
    analyte, found = TextColumn.from_series(cells["analyte"]), TextColumn.from_series(problem)
    at = np.flatnonzero(found.isin(["number-unreadable"]) & analyte.isin(_SEEN))
    if not len(at):
        return problem
    worded = np.zeros(len(problem), dtype="bool")
    worded[at] = ~cells["raw_text"].iloc[at].astype("str").str.contains(r"\d").to_numpy(dtype="bool")
    return pd.Series(found.where(worded, "described-in-words").category(), index=problem.index)


def _converted(
    table: pd.DataFrame, cells: pd.DataFrame, read: pd.DataFrame, aliases: tuple[Places, list[Aliases]]
) -> pd.DataFrame:
    """Give every cell its canonical value, unit and basis; distinct combinations are resolved once."""
    of_cell, known = aliases
    said = [cells["analyte"], cells["raw_unit"], read["rest"], cells["basis"]]
    code, keys = _combinations(said, of_cell, len(known))
    found = [_resolve(analyte, unit, rest, basis, known[own]) for (analyte, unit, rest, basis), own in keys]

    def spread(name: str) -> Floats:
        return np.array([getattr(one, name) for one in found], dtype="float64")[code]

    def words(name: str) -> TextColumn:
        return TextColumn(code, tuple(str(getattr(one, name)) for one in found))

    by_value = TextColumn.from_series(cells["form"]).isin(["value", "typed"])
    factor, offset = spread("factor"), spread("offset")
    own = table["number"].to_numpy() * factor + offset
    censored = TextColumn.from_series(table["qualifier"]).isin(["<", ">"])
    limit = _limits(own, cells, read["stated_limit"].to_numpy(), aliases, factor, offset) if censored.any() else own
    problem = TextColumn.from_series(table["problem"]).otherwise(words("problem").where(~by_value, ""))
    unlimited = by_value & censored & np.isnan(limit)
    problem = problem.noted(unlimited, "not-detected-without-limit")
    quantity = TextColumn.from_series(table["analyte"]).map(lambda code: code.replace("_", " "))
    detail = quantity.over(words("detail"), unlimited & problem.isin(["not-detected-without-limit"]))
    converted = table.assign(
        value=np.where(by_value & ~censored, own, np.nan),
        limit=np.where(by_value & censored, limit, np.nan),
        reference_c=spread("temperature_c"),
        problem=problem.category(),
        detail=detail.category(),
        **{name: words(name).category() for name in ("unit", "basis", "note", "ambiguous")},
    )
    return with_stated_bounds(converted, read, factor)


def _combinations(
    said: Sequence[pd.Series], spellings: Places, many: int
) -> tuple[Places, list[tuple[tuple[str, ...], int]]]:
    """Give each distinct combination of texts and unit spellings a number, and tell what each of them says."""
    texts = [TextColumn.from_series(column) for column in said]
    code = numbered([*texts, (spellings, many)])
    first = first_rows(code)
    rows = zip(*(column.take(first).tolist() for column in texts), strict=True)
    return code, list(zip(rows, spellings[first].tolist(), strict=True))


def _sign(text: str) -> str:
    """Keep what is a sign of its own; other words of a remark are the laboratory's."""
    return text.strip() if text.strip() in QUALIFIERS else ""


def _resolve(analyte: str, unit: str, rest: str, basis: str, extra: Aliases) -> units.Reading:
    """Resolve one combination; a unit written in the cell itself speaks for the cell."""
    spoken = is_unit(rest)
    found = units.resolve(analyte, rest if spoken else unit, basis, extra)
    return replace(found, problem="unit-in-cell") if spoken and found.problem == "unit-unknown" else found


def _limits(
    own: Floats,
    cells: pd.DataFrame,
    stated: Floats,
    aliases: tuple[Places, list[Aliases]],
    factor: Floats,
    offset: Floats,
) -> Floats:
    """Give the limit of every censored cell: the number itself ("<0.5") or its limit column."""
    of_cell, known = aliases
    said = [cells[name] for name in ("analyte", "limit_unit", "raw_unit", "basis")]
    code, keys = _combinations(said, of_cell, len(known))
    own_unit = [limit_unit in ("", raw_unit) for (_, limit_unit, raw_unit, _), _ in keys]
    found = [units.resolve(analyte, unit, basis, known[own]) for (analyte, unit, _, basis), own in keys]
    same = np.array(own_unit, dtype="bool")[code]
    factor = np.where(same, factor, np.array([one.factor for one in found], dtype="float64")[code])
    offset = np.where(same, offset, np.array([one.offset for one in found], dtype="float64")[code])
    return np.where(np.isnan(own), stated * factor + offset, own)
