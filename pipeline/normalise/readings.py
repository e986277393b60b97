"""From the cells of one table to readings in canonical units, and the cells that must wait."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.normalise import numbers, units
from pipeline.normalise.conductivity import at_25c
from pipeline.normalise.kits import burettes, counts
from pipeline.normalise.rows import typed
from pipeline.normalise.uncertainty import with_uncertainty
from pipeline.problems import no_problems, problem_frame
from schemas.readings import KIND_COLUMNS, broken_kinds
from schemas.text_cells import broken_texts

if TYPE_CHECKING:
    from pipeline.ingest.extract import Extract

READING_COLUMNS: Final[list[str]] = [
    "row",
    "line",
    "column",
    "analyte",
    "value",
    "unit",
    "basis",
    "qualifier",
    "limit",
    "value_low",
    "value_high",
    "uncertainty",
    "method",
    "form",
    "drops",
    "degree_per_drop",
    "nominal_ml",
    "used_ml",
    "raw_text",
    "raw_unit",
    "raw_basis",
    "note",
    "instrument",
    "ambiguous",
    "status",
]


@dataclass(frozen=True)
class NormaliseSettings:
    """What normalising may be told: the time zone of times that name none."""

    time_zone: str = "UTC"


@dataclass(frozen=True)
class Normalised:
    """Rows, readings and what was set aside; ``decimal_mark`` is what the file proved or declared."""

    rows: pd.DataFrame
    readings: pd.DataFrame
    set_aside: pd.DataFrame
    notices: pd.DataFrame
    decimal_mark: str


def normalise(extract: Extract, file_sha256: str, settings: NormaliseSettings) -> Normalised:
    """Bring the cells of one table into canonical units.

    Parameters
    ----------
    extract : rows and cells as text.
    file_sha256 : of the file, for problems.
    settings : of the run.

    Returns
    -------
    Normalised; every cell is in ``readings`` or in ``set_aside``, in the order of the file.

    Notes
    -----
    Numbers, units and contracts are judged over distinct texts and kinds, so the cost follows the
    variety of a file and not its number of good or bad rows.
    """
    rows, notices = typed(extract, file_sha256, settings.time_zone)
    cells = extract.cells
    read, marks = numbers.parse(
        cells["raw_text"], extract.decimal_char, _words(extract), plain=cells["certain_number"]
    )
    table = _laid_out(cells, rows, read)
    table = _converted(table, cells, read, extract, marks)
    table = counts(table, rows)
    table = burettes(table, rows)
    table = at_25c(table, rows)
    table = with_uncertainty(table)
    table = _judged(table, cells)
    bad = table["problem"] != ""
    mended = ~bad & (read["detail"].astype("str") != "") & (read["detail"].astype("str") != "word")
    mended &= table["form"] != "drops"
    return Normalised(
        rows=rows,
        readings=table.loc[~bad, READING_COLUMNS].reset_index(drop=True),
        set_aside=_problems(table[bad], file_sha256),
        notices=pd.concat([notices, _mended(table[mended], read[mended], file_sha256)], ignore_index=True),
        decimal_mark=marks.decimal,
    )


def _words(extract: Extract) -> frozenset[str]:
    return frozenset(word.strip().casefold() for word in extract.non_detect)


def _laid_out(cells: pd.DataFrame, rows: pd.DataFrame, read: pd.DataFrame) -> pd.DataFrame:
    """Start the table of readings: what is known of every cell before units are looked at."""
    row = cells["row"].to_numpy()
    declared = cells["qualifier_text"].astype("str").str.strip().isin(["<", ">", "~"])
    qualifier = cells["qualifier_text"].astype("str").where(declared, read["qualifier"].astype("str"))
    return pd.DataFrame(
        {
            "row": cells["row"].astype("int32"),
            "line": rows["line"].to_numpy()[row].astype("int32"),
            "column": cells["column"],
            "analyte": cells["analyte"],
            "number": read["number"],
            "qualifier": pd.Categorical(qualifier, categories=["", "<", ">", "~"]),
            "method": cells["method"],
            "form": cells["form"],
            "raw_text": cells["raw_text"],
            "raw_unit": cells["raw_unit"],
            "raw_basis": cells["basis"],
            "instrument": pd.Categorical(rows["instrument"]).take(row),
            "status": cells["status"],
            "problem": read["problem"],
            "detail": pd.Categorical([""] * len(cells), categories=[""]),
        }
    )


def _converted(
    table: pd.DataFrame, cells: pd.DataFrame, read: pd.DataFrame, extract: Extract, marks: numbers.Marks
) -> pd.DataFrame:
    """Give every cell its canonical value, unit and basis; distinct combinations are resolved once."""
    parts = [cells["analyte"], cells["raw_unit"], read["rest"], cells["basis"]]
    columns = [part.astype("category") for part in parts]
    combined = np.zeros(len(cells), dtype="int64")
    for column in columns:
        combined = combined * (len(column.cat.categories) + 1) + column.cat.codes.to_numpy() + 1
    code, _ = pd.factorize(combined)
    first = np.zeros(code.max(initial=-1) + 1, dtype="int64")
    first[code[::-1]] = np.arange(len(code))[::-1]
    extra = tuple(sorted(extract.unit_aliases.items()))
    keys = zip(*(column.astype("str").iloc[first] for column in columns), strict=True)
    found = [_resolve(*key, extra) for key in keys]

    def spread(name: str) -> np.ndarray:
        return np.array([getattr(one, name) for one in found], dtype="float64")[code]

    def words(name: str) -> pd.Categorical:
        code_of, distinct = pd.factorize(np.array([getattr(one, name) for one in found], dtype=object))
        return pd.Categorical.from_codes(code_of[code], categories=pd.Index(distinct, dtype="str"))

    by_value = cells["form"].isin(["value", "typed"]).to_numpy()
    factor, offset = spread("factor"), spread("offset")
    number = table["number"].to_numpy()
    value = number * factor + offset
    limit, lacking = _limits(table, cells, extract, marks, factor, offset)
    censored = table["qualifier"].isin(["<", ">"]).to_numpy()
    unit_problem = np.asarray(words("problem").astype("str"))
    problem = table["problem"].astype("str").to_numpy(dtype=object).copy()
    for where, codes in (
        (by_value & (problem == ""), unit_problem),
        (by_value & lacking, np.array("not-detected-without-limit")),
    ):
        chosen = where & (problem == "")
        problem[chosen] = np.broadcast_to(codes, problem.shape)[chosen]
    detail = words("detail")
    return table.assign(
        value=np.where(by_value & ~censored, value, np.nan),
        limit=np.where(by_value & censored, limit, np.nan),
        value_low=np.nan,
        value_high=np.nan,
        unit=words("unit"),
        basis=words("basis"),
        note=words("note"),
        ambiguous=words("ambiguous"),
        reference_c=spread("temperature_c"),
        problem=pd.Categorical(problem),
        detail=detail,
    )


def _resolve(
    analyte: str, unit: str, rest: str, basis: str, extra: tuple[tuple[str, str], ...]
) -> units.Reading:
    """Resolve one combination; a unit written in the cell itself speaks for the cell."""
    stated = unit
    if rest and units.split_form(units.folded(rest)) is not None:
        stated = rest
    elif rest and not unit:
        stated = ""
    return units.resolve(analyte, stated, basis, extra)


def _limits(
    table: pd.DataFrame,
    cells: pd.DataFrame,
    extract: Extract,
    marks: numbers.Marks,
    factor: np.ndarray,
    offset: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Give the limit of every censored cell: the number itself ("<0.5") or its limit column."""
    censored = table["qualifier"].isin(["<", ">"]).to_numpy()
    own = table["number"].to_numpy() * factor + offset
    stated, _ = numbers.parse(
        cells["limit_text"].astype("str"), marks.decimal or extract.decimal_char, frozenset()
    )
    same_unit = (cells["limit_unit"].astype("str") == "") | (
        cells["limit_unit"].astype("str") == cells["raw_unit"].astype("str")
    )
    column = np.where(same_unit, stated["number"].to_numpy() * factor + offset, np.nan)
    limit = np.where(np.isnan(own), column, own)
    return limit, censored & np.isnan(limit)


def _judged(table: pd.DataFrame, cells: pd.DataFrame) -> pd.DataFrame:
    """Hold texts and kinds of readings against their contracts."""
    text_code, distinct = pd.factorize(cells["raw_text"])
    broken = broken_texts(pd.Series(distinct, dtype="str")).to_numpy()[text_code]
    value, limit = table["value"].to_numpy(), table["limit"].to_numpy()
    flags = {
        "has_value": ~np.isnan(value),
        "has_limit": ~np.isnan(limit),
        "negative": (value < 0) | (limit < 0),
        "finite": ~(np.isinf(value) | np.isinf(limit)),
    }
    combined = np.zeros(len(table), dtype="int64")
    for name in ("analyte", "unit", "basis", "qualifier", "method"):
        column = table[name]
        combined = combined * (len(column.cat.categories) + 1) + column.cat.codes.to_numpy() + 1
    for flag in flags.values():
        combined = combined * 2 + flag
    problem = table["problem"].astype("str").to_numpy(dtype=object).copy()
    problem[broken & (problem == "")] = "number-unreadable"
    open_cells = np.flatnonzero(problem == "")
    code, _ = pd.factorize(combined[open_cells])
    first = np.zeros(code.max(initial=-1) + 1, dtype="int64")
    first[code[::-1]] = open_cells[::-1]
    kinds = pd.DataFrame(
        {
            **{
                name: table[name].iloc[first].astype("str").to_numpy()
                for name in KIND_COLUMNS
                if name in table
            },
            **{name: flag[first] for name, flag in flags.items()},
        }
    )
    if len(kinds):
        problem[open_cells] = broken_kinds(kinds[KIND_COLUMNS]).to_numpy(dtype=object)[code]
    return table.assign(problem=pd.Categorical(problem))


def _problems(bad: pd.DataFrame, file_sha256: str) -> pd.DataFrame:
    if bad.empty:
        return no_problems()
    parts = [
        problem_frame(
            str(code),
            file_sha256=file_sha256,
            line=group["line"],
            column=group["column"].astype("str"),
            raw_text=group["raw_text"],
            detail=group["detail"].astype("str"),
        )
        for code, group in bad.groupby("problem", observed=True, sort=False)
    ]
    return pd.concat(parts, ignore_index=True)


def _mended(table: pd.DataFrame, read: pd.DataFrame, file_sha256: str) -> pd.DataFrame:
    """Tell of numbers that were freed from letters; a unit of the table beside a number is no fault."""
    rest = read["rest"].astype("str")
    known = {text for text in rest.unique() if units.split_form(units.folded(text)) is not None}
    odd = ~rest.isin(known)
    if not odd.any():
        return no_problems()
    return problem_frame(
        "number-repaired",
        file_sha256=file_sha256,
        line=table["line"][odd],
        column=table["column"][odd].astype("str"),
        raw_text=table["raw_text"][odd],
        detail=read["detail"][odd].astype("str"),
    )
