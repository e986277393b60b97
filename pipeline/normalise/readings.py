"""From the cells of one table to readings in canonical units, and the cells that must wait."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.normalise import numbers, units
from pipeline.normalise.categories import (
    NO_PROBLEM,
    by_category,
    category,
    combined,
    flagged,
    no_problems_yet,
    overlaid,
)
from pipeline.normalise.conductivity import at_25c
from pipeline.normalise.judging import judged, mended, problems
from pipeline.normalise.kits import burettes, counts
from pipeline.normalise.rows import typed
from pipeline.normalise.stacking import without_empty_texts
from pipeline.normalise.uncertainty import with_uncertainty
from pipeline.normalise.unit_spellings import folded, split_form
from schemas.methods import QUALIFIERS

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


_QUALIFIER_CODES: Final = {sign: code for code, sign in enumerate(QUALIFIERS)}
Floats = npt.NDArray[np.float64]


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
    read, marks = numbers.parse(cells["raw_text"], extract.decimal_char, _words(extract), plain=cells["certain_number"])
    table = _laid_out(cells, rows, read)
    table = _converted(table, cells, read, extract, marks)
    table = counts(table, rows)
    table = burettes(table, rows)
    table = at_25c(table, rows)
    table = with_uncertainty(table)
    table = judged(table, cells["raw_text"])
    bad = (table["problem"].cat.codes != NO_PROBLEM).to_numpy()
    odd = ~bad & by_category(read["detail"], bool)
    return Normalised(
        rows=without_empty_texts(rows),
        readings=table.loc[~bad, READING_COLUMNS].reset_index(drop=True),
        set_aside=problems(table[bad], file_sha256),
        notices=pd.concat([notices, mended(table[odd], read[odd], file_sha256)], ignore_index=True),
        decimal_mark=marks.decimal,
    )


def _words(extract: Extract) -> frozenset[str]:
    return frozenset(word.strip().casefold() for word in extract.non_detect)


def _laid_out(cells: pd.DataFrame, rows: pd.DataFrame, read: pd.DataFrame) -> pd.DataFrame:
    """Start the table of readings: what is known of every cell before units are looked at."""
    row = cells["row"].to_numpy()
    stated = by_category(cells["qualifier_text"], lambda text: _QUALIFIER_CODES.get(text.strip(), 0))
    written = by_category(read["qualifier"], lambda text: _QUALIFIER_CODES[text])
    qualifier = np.where(stated != 0, stated, written).astype("int8")
    return pd.DataFrame(
        {
            "row": cells["row"].astype("int32"),
            "line": rows["line"].to_numpy()[row].astype("int32"),
            "column": cells["column"],
            "analyte": cells["analyte"],
            "number": read["number"],
            "qualifier": category(qualifier, list(_QUALIFIER_CODES)),
            "method": cells["method"],
            "form": cells["form"],
            "raw_text": cells["raw_text"],
            "raw_unit": cells["raw_unit"],
            "raw_basis": cells["basis"],
            "instrument": pd.Series(pd.Categorical(rows["instrument"]).take(row)),
            "status": cells["status"],
            "problem": overlaid(no_problems_yet(len(cells)), read["problem"], np.ones(len(cells), dtype="bool")),
            "detail": category(np.zeros(len(cells), dtype="int8"), [""]),
            "uncertainty": np.nan,
            "value_low": np.nan,
            "value_high": np.nan,
        }
    )


def _converted(
    table: pd.DataFrame, cells: pd.DataFrame, read: pd.DataFrame, extract: Extract, marks: numbers.Marks
) -> pd.DataFrame:
    """Give every cell its canonical value, unit and basis; distinct combinations are resolved once."""
    parts = [cells["analyte"], cells["raw_unit"], read["rest"], cells["basis"]]
    code, first = combined(parts)
    extra = tuple(sorted(extract.unit_aliases.items()))
    keys = zip(*(part.iloc[first].astype("str") for part in parts), strict=True)
    found = [_resolve(analyte, unit, rest, basis, extra) for analyte, unit, rest, basis in keys]

    def spread(name: str) -> Floats:
        return np.array([getattr(one, name) for one in found], dtype="float64")[code]

    def words(name: str) -> pd.Categorical[Any]:
        texts = [str(getattr(one, name)) for one in found]
        distinct = list(dict.fromkeys(texts))
        return category(np.array([distinct.index(text) for text in texts], dtype="int32")[code], distinct)

    by_value = by_category(cells["form"], lambda form: form in ("value", "typed"))
    factor, offset = spread("factor"), spread("offset")
    own = table["number"].to_numpy() * factor + offset
    censored = by_category(table["qualifier"], lambda sign: sign in ("<", ">"))
    limit = _limits(own, cells, extract, marks, factor, offset) if censored.any() else own
    problem = overlaid(table["problem"], words("problem"), by_value)
    return table.assign(
        value=np.where(by_value & ~censored, own, np.nan),
        limit=np.where(by_value & censored, limit, np.nan),
        unit=words("unit"),
        basis=words("basis"),
        note=words("note"),
        ambiguous=words("ambiguous"),
        reference_c=spread("temperature_c"),
        problem=flagged(problem, by_value & censored & np.isnan(limit), "not-detected-without-limit"),
        detail=words("detail"),
    )


def _resolve(analyte: str, unit: str, rest: str, basis: str, extra: tuple[tuple[str, str], ...]) -> units.Reading:
    """Resolve one combination; a unit written in the cell itself speaks for the cell."""
    spoken = bool(rest) and split_form(folded(rest)) is not None
    return units.resolve(analyte, rest if spoken else unit, basis, extra)


def _limits(
    own: Floats, cells: pd.DataFrame, extract: Extract, marks: numbers.Marks, factor: Floats, offset: Floats
) -> Floats:
    """Give the limit of every censored cell: the number itself ("<0.5") or its limit column."""
    stated, _ = numbers.parse(cells["limit_text"], marks.decimal or extract.decimal_char, frozenset())
    parts = [cells["analyte"], cells["limit_unit"], cells["raw_unit"], cells["basis"]]
    code, first = combined(parts)
    extra = tuple(sorted(extract.unit_aliases.items()))
    keys = list(zip(*(part.iloc[first].astype("str") for part in parts), strict=True))
    own_unit = [limit_unit in ("", raw_unit) for _, limit_unit, raw_unit, _ in keys]
    found = [units.resolve(analyte, limit_unit, basis, extra) for analyte, limit_unit, _, basis in keys]
    same = np.array(own_unit, dtype="bool")[code]
    factor = np.where(same, factor, np.array([one.factor for one in found], dtype="float64")[code])
    offset = np.where(same, offset, np.array([one.offset for one in found], dtype="float64")[code])
    return np.where(np.isnan(own), stated["number"].to_numpy() * factor + offset, own)
