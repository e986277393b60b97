"""Read a user's own profiles and machines from TOML, and say exactly what is wrong with them."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

Table = dict[str, Any]
MOST_BYTES = 1_000_000


def read_tables(path: Path, section: str) -> dict[str, Table]:
    """Give the tables ``[section.NAME]`` of a TOML file.

    Parameters
    ----------
    path : the file, at most 1 MB.
    section : the one section the file may have.

    Raises
    ------
    KettlestoneError : the file cannot be read, has another section or no table.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise refused(path, section, f"the file is larger than {MOST_BYTES} bytes")
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise refused(path, section, f"cannot be read ({error})") from error
    known_keys(path, section, content, [section])
    tables = content.get(section)
    if not isinstance(tables, dict) or not tables:
        raise refused(path, section, f"there is no table [{section}.NAME]")
    for name, values in tables.items():
        if not isinstance(values, dict):
            raise refused(path, f"{section}.{name}", "this must be a table")
    return tables


def known_keys(path: Path, place: str, given: Mapping[str, object], known: Iterable[str]) -> None:
    """Refuse a key that means nothing here: a misspelt limit must not be ignored."""
    unknown = sorted(set(given) - set(known))
    if unknown:
        raise refused(path, place, f'there is no "{unknown[0]}". Known: {", ".join(sorted(known))}')


def bounded_number(path: Path, place: str, value: object, least: float, most: float) -> float:
    """Take a number within bounds."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise refused(path, place, f'"{value}" is not a number from {least:g} to {most:g}')
    return float(value)


def refused(path: Path, place: str, why: str) -> KettlestoneError:
    """Word an error: file, place, what is wrong, what happened."""
    return KettlestoneError(f"{path}: {place}: {why}. Nothing was changed; correct the file.")
