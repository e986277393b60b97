"""Readings held against their contracts; what fails becomes a problem with a code."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.normalise.plausible import absurd_readings
from pipeline.notation.grammar import is_unit
from pipeline.problems import PROBLEM_COLUMNS, no_problems, problem_frame
from pipeline.texts import TextColumn, first_rows, numbered
from schemas.readings import KIND_COLUMNS, broken_kinds
from schemas.text_cells import broken_texts

if TYPE_CHECKING:
    from pipeline.arrays import Flags


def broken_cells(raw_text: pd.Series) -> Flags:
    """Hold cells as received against their contract, each distinct text once; (n,) True where it is broken."""
    code, distinct = pd.factorize(raw_text)
    return np.asarray(broken_texts(pd.Series(distinct, dtype="str")).to_numpy()[code])


def with_breaches(table: pd.DataFrame, broken: Flags) -> pd.DataFrame:
    """Hold readings against the contract of typed readings.

    Parameters
    ----------
    table : readings in the making, with `problem` where one is known already.
    broken : (n,) what ``broken_cells`` says of their cells.

    Returns
    -------
    A new table; `problem` holds the first breach of every reading. The contract is checked once for each
    distinct kind of reading, never row by row.
    """
    value, limit = table["value"].to_numpy(), table["limit"].to_numpy()
    flags = {
        "has_value": ~np.isnan(value),
        "has_limit": ~np.isnan(limit),
        "negative": (value < 0) | (limit < 0),
        "finite": ~(np.isinf(value) | np.isinf(limit)),
    }
    problem = TextColumn.from_series(table["problem"]).noted(broken, "number-unreadable")
    problem = problem.noted(absurd_readings(table), "number-absurd")
    good = ~problem.stated()
    words = {name: TextColumn.from_series(table[name]) for name in ("analyte", "unit", "basis", "qualifier", "method")}
    code = numbered([*words.values(), *flags.values(), good])
    first = first_rows(code)
    kinds = pd.DataFrame({name: column.take(first).series() for name, column in words.items()})
    kinds = kinds.assign(**{name: flag[first] for name, flag in flags.items()})
    breach = pd.Series("", index=kinds.index, dtype="str")
    whole = kinds[good[first]].reset_index()
    if len(whole):
        breach.loc[whole["index"]] = broken_kinds(whole[KIND_COLUMNS]).to_numpy()
    for name in set(breach) - {""}:
        problem = problem.noted((breach == name).to_numpy()[code], name)
    return table.assign(problem=problem.category())


def problems(bad: pd.DataFrame) -> pd.DataFrame:
    """Turn the readings that have a problem into problems, in their order; repeated text stays a category."""
    return bad[PROBLEM_COLUMNS].reset_index(drop=True)


def mended(table: pd.DataFrame, read: pd.DataFrame) -> pd.DataFrame:
    """Tell of numbers that were freed from letters; a unit of the table beside a number is no fault."""
    odd = TextColumn.from_series(read["rest"]).mask(lambda text: not is_unit(text))
    if not odd.any():
        return no_problems()
    return problem_frame(
        "number-repaired",
        file_sha256=table["file_sha256"][odd].astype("str"),
        line=table["line"][odd],
        column=table["column"][odd].astype("str"),
        raw_text=table["raw_text"][odd],
        detail=read["detail"][odd].astype("str"),
    )
