"""Published numbers as tables: one row per value, with its unit and the key of its source."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

import pandas as pd


@cache
def _stored(name: str) -> pd.DataFrame:
    with resources.files(__name__).joinpath(f"{name}.csv").open(encoding="utf-8") as lines:
        return pd.read_csv(lines, comment="#", keep_default_na=False, na_values=[""])


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
    >>> float(table("ions").set_index("code").loc["calcium", "molar_mass_g_mol"])
    40.078
    """
    return _stored(name).copy()


def records_by(rows: pd.DataFrame, column: str) -> dict[str, list[dict[str, Any]]]:
    """Gather the rows of a table by what one of their columns says, both in their order.

    Example
    -------
    >>> [row["class"] for row in records_by(table("hardness_classes"), "scale")["Germany (detergents act)"]]
    ['soft', 'medium', 'hard']
    """
    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows.to_dict("records"):
        found.setdefault(str(row[column]), []).append({str(name): value for name, value in row.items()})
    return found
