"""Remarks on a register of sites or treatments: values nobody can reckon with."""

from __future__ import annotations

from typing import Final

import pandas as pd

from pipeline.problems import no_problems, problem_frame

# Most that a number of a register may be; and those that must be above 0, at least the smallest that anybody counts.
LARGEST: Final[dict[str, float]] = {
    "litres_per_day": 1e6,
    "bypass_percent": 100.0,
    "counter_litres": 1e9,
    "capacity": 1e9,
}
ABOVE_ZERO: Final = ("capacity", "litres_per_day")
SMALLEST: Final = 0.001


def register_notices(register: pd.DataFrame, file_sha256: str) -> pd.DataFrame:
    """Tell of numbers that are none or cannot be, and of days that are none.

    A register is kept as it was written; a bypass of 130 % is left out of every calculation, and somebody has to know.

    Parameters
    ----------
    register : rows as text, `line` and the columns of the register.
    file_sha256 : of the file.

    Returns
    -------
    PROBLEM_COLUMNS.
    """
    found = [no_problems()]
    for name, largest in LARGEST.items():
        if name in register:
            wrong = ~_possible(register[name], largest, above_zero=name in ABOVE_ZERO)
            least = "above 0 and up" if name in ABOVE_ZERO else "from 0"
            found.append(_told(register, wrong, name, f"a number {least} to {largest:,.0f}", file_sha256))
    if "installed_on" in register:
        text = register["installed_on"]
        wrong = (text != "") & ~text.str.contains(r"\d", regex=True)
        found.append(_told(register, wrong, "installed_on", "a day such as 2025-06-01", file_sha256))
    return pd.concat(found, ignore_index=True)


def _possible(text: pd.Series, largest: float, *, above_zero: bool) -> pd.Series:
    """Accept blanks, and every way of writing thousands and decimals: only the size of the number is judged."""
    plain = text.str.replace(r"[\s'%]", "", regex=True)
    grouped = plain.str.replace(r"[.,](?=\d{3}(?:\D|$))", "", regex=True).str.replace(",", ".")
    number = pd.to_numeric(grouped, errors="coerce")
    least = number >= (SMALLEST if above_zero else 0)
    possible: pd.Series = (plain == "") | (least & (number <= largest))
    return possible


def _told(register: pd.DataFrame, wrong: pd.Series, name: str, detail: str, file_sha256: str) -> pd.DataFrame:
    rows = register[wrong]
    if rows.empty:
        return no_problems()
    column = name.replace("_", " ")
    return problem_frame(
        "register-value", file_sha256=file_sha256, line=rows["line"], column=column, raw_text=rows[name], detail=detail
    )
