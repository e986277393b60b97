"""Published numbers as tables: one row per value, with its unit and the key of its source."""

from __future__ import annotations

import csv
import math
from contextlib import suppress
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


@cache
def _columns(name: str) -> dict[str, list[Any]]:
    with resources.files(__name__).joinpath(f"{name}.csv").open(encoding="utf-8") as lines:
        heading, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    return {column: _typed(cells) for column, cells in zip(heading, zip(*rows, strict=True), strict=True)}


def _typed(cells: tuple[str, ...]) -> list[Any]:
    """Take a column as whole numbers or numbers if all of it is, else as texts; what is missing is NaN."""
    with suppress(ValueError):
        return [int(cell) for cell in cells]
    with suppress(ValueError):
        return [float(cell or "nan") for cell in cells]
    return [cell or math.nan for cell in cells]


def table(name: str) -> pd.DataFrame:
    """Read a reference table by name.

    Parameters
    ----------
    name : file name in this folder without ``.csv``.

    Returns
    -------
    frame, a copy: the caller may change it without changing the reference.

    Raises
    ------
    FileNotFoundError : no table has that name.

    Example
    -------
    >>> float(table("molar_masses").set_index("formula").loc["Ca", "molar_mass_g_mol"])
    40.078
    """
    return pd.DataFrame(_columns(name))


def records(name: str) -> list[dict[str, Any]]:
    """Read a reference table row by row; otherwise as ``table``.

    Example
    -------
    >>> [row["factor"] for row in records("conductance_tds_factors")]
    [0.5, 0.64, 0.65, 0.7]
    """
    columns = _columns(name)
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def gathered(rows: Iterable[Mapping[Any, Any]], column: str) -> dict[str, list[Mapping[Any, Any]]]:
    """Gather rows by what one of their columns says, both in their order.

    Example
    -------
    >>> [row["class"] for row in gathered(records("hardness_classes"), "scale")["Germany (detergents act)"]]
    ['soft', 'medium', 'hard']
    """
    found: dict[str, list[Mapping[Any, Any]]] = {}
    for row in rows:
        found.setdefault(str(row[column]), []).append(row)
    return found
