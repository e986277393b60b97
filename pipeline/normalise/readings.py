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
# Words for the scale of a dissolved-solids figure, folded -> basis.
_SOLIDS: Final[dict[str, str]] = {
    "nacl": "NaCl scale",
    "nacl scale": "NaCl scale",
    "0.5": "NaCl scale",
    "442": "natural-water scale",
    "4-4-2": "natural-water scale",
    "natural": "natural-water scale",
    "0.7": "natural-water scale",
    "kcl": "KCl scale",
    "180": "dried at 180 °C",
    "residue": "dried at 180 °C",
    "dried": "dried at 180 °C",
    "dried at 180 °c": "dried at 180 °C",
    "calculated": "calculated",
    "sum": "calculated",
}


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
