"""Headings of columns that are days or months: those of samples that stand side by side."""

from __future__ import annotations

import re
from typing import Final

from pipeline.month_names import MONTH_NUMBERS

_DAY: Final = re.compile(r"\d{4}-\d\d?(?:-\d\d?)?|\d{1,2}[./]\d{1,2}[./](?:\d\d){1,2}|\d{1,2}[./](?:19|20)\d\d")
_MONTH: Final = re.compile(r"(?P<word>[^\W\d]{3,})\.?(?:[\s\-'’/]+(?:de\s+)?(?P<year>(?:19|20)?\d\d))?")
_CENTURY: Final = "2000"  # of a year in two digits


def is_month(heading: str) -> bool:
    """Tell whether the heading of a column is a month without its year.

    Example
    -------
    >>> is_month("Apr"), is_month("ene-25"), is_month("Werk Nord")
    (True, False, False)
    """
    month = _MONTH.fullmatch(heading.strip())
    return month is not None and not month["year"] and month["word"].casefold() in MONTH_NUMBERS


def date_of_heading(heading: str) -> str:
    """Give the date that the heading of a column is, "" where it is none: a day, or a month with its year.

    Example
    -------
    >>> date_of_heading("12.03.2025"), date_of_heading("ene-25"), date_of_heading("Mars 2025"), date_of_heading("March")
    ('12.03.2025', '2025-01', '2025-03', '')
    """
    written = heading.strip()
    if _DAY.fullmatch(written):
        return written
    month = _MONTH.fullmatch(written)
    number = MONTH_NUMBERS.get(month["word"].casefold()) if month is not None else None
    if month is None or number is None or not month["year"]:
        return ""
    return f"{_CENTURY[: -len(month['year'])]}{month['year']}-{number:02}"
