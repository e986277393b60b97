"""A table as it was asked for: to look at, or as CSV, JSON or Parquet, on the terminal or in a file."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.report.batch.tables import write_csv

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pandas as pd

TABLE, CSV, JSON, PARQUET = "table", "csv", "json", "parquet"
TABLE_FORMATS: Final = (TABLE, CSV, JSON, PARQUET)


class TableOutput(NamedTuple):
    """How a table is wanted: its format, and the file; None prints it."""

    form: str = TABLE
    target: Path | None = None


def put_out(found: pd.DataFrame, wanted: TableOutput, look: Callable[[], str]) -> str:
    """Write a table where it is wanted, and give what is to be printed.

    Parameters
    ----------
    found : the table, whole.
    wanted : format and file.
    look : words it for people.

    Raises
    ------
    KettlestoneError : the file cannot be written, or Parquet has no file.
    """
    if wanted.form == PARQUET and wanted.target is None:
        raise KettlestoneError(f"Parquet is no text to print.\n  {UNCHANGED}\n  Name its file with --out FILE.")
    content = _content(found, wanted.form, look)
    if wanted.target is None:
        return content.decode().rstrip("\n")
    try:
        wanted.target.parent.mkdir(parents=True, exist_ok=True)
        wanted.target.write_bytes(content)
    except OSError as error:
        raise KettlestoneError(
            f"{wanted.target} cannot be written: {error.strerror or error}.\n  {UNCHANGED}\n  Name another file."
        ) from error
    return f"{wanted.target}: {len(found):,} row{'' if len(found) == 1 else 's'}"


def _content(found: pd.DataFrame, form: str, look: Callable[[], str]) -> bytes:
    if form == JSON:
        return (str(found.to_json(orient="records", date_format="iso", force_ascii=False)) + "\n").encode()
    if form == TABLE:
        return (look() + "\n").encode()
    sink = io.BytesIO()
    if form == CSV:
        write_csv(found, sink)
    else:
        found.to_parquet(sink, index=False)
    return sink.getvalue()


def plain_table(found: pd.DataFrame, empty: str, most: int = 200) -> str:
    """Lay a table out in columns, so many rows of it.

    Parameters
    ----------
    found : the table.
    empty : what is said where it has no rows.
    most : rows that are shown; that the rest is left out is said.
    """
    if found.empty:
        return empty
    text = found.head(most).to_string(index=False, na_rep="", float_format=lambda number: f"{number:g}")
    rest = len(found) - most
    return f"{text}\n{rest} more rows; --format json or csv gives all of them." if rest > 0 else text
