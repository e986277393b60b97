"""What a workbook says only in its XML: formulas nobody calculated, error values, merged cells.

The reader of cell values gives such cells as empty. Office Open XML (.xlsx, .xlsm) is searched as bytes
with fixed patterns: no XML parser runs, so no entity is ever expanded, and the sizes are checked before.
"""

from __future__ import annotations

import html
import io
import posixpath
import re
import zipfile
import zlib
from typing import TYPE_CHECKING, Final

from pipeline.ingest.sheet_cells import FoundMarks
from pipeline.ingest.unreadable import Unreadable

if TYPE_CHECKING:
    from pipeline.ingest.reader_limits import ReaderLimits

_CHUNK: Final = 1 << 20

# Tags are bounded ({0,400}, no "<" inside), so that no input makes a pattern slow.
_SHEET: Final = re.compile(rb"<(?:\w+:)?sheet\s[^<>]{0,400}>")
_RELATION: Final = re.compile(rb"<(?:\w+:)?Relationship\s[^<>]{0,400}>")
_ATTRIBUTE: Final = re.compile(rb'([\w:]+)\s*=\s*"([^"]*)"')
_FORMULA: Final = re.compile(
    rb"<(?:\w+:)?c\s([^<>]{0,400})>\s*<(?:\w+:)?f(?:\s[^<>]{0,400})?(?:/>|>([^<]*)</(?:\w+:)?f>)"
    rb"\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
_ERROR: Final = re.compile(
    rb'<(?:\w+:)?c\s(?=[^<>]{0,400}\bt="e")([^<>]{0,400})>\s*'
    rb"(?:<(?:\w+:)?f(?:\s[^<>]{0,400})?(?:/>|>[^<]*</(?:\w+:)?f>)\s*)?"
    rb"<(?:\w+:)?v>([^<]+)</(?:\w+:)?v>"
)
_MERGED: Final = re.compile(rb'<(?:\w+:)?mergeCell\s[^<>]{0,400}?\bref="(([A-Z]{1,3}\d{1,7}):[A-Z]{1,3}\d{1,7})"')
_PLACE: Final = re.compile(rb"<(?:\w+:)?c\s[^<>]{0,400}?\br=[\"']([A-Za-z]{1,20})(\d{1,20})[\"']")
_ROW: Final = re.compile(rb"<(?:\w+:)?row\s[^<>]{0,400}?\br=[\"'](\d{1,20})[\"']")
_ROWS, _COLUMNS = 1_048_576, 16_384  # of a sheet [ECMA-376]
_ROWS_REPEATED: Final = re.compile(rb'^[^<>]{0,400}?number-rows-repeated="(\d{1,12})"')
_COLUMNS_REPEATED: Final = re.compile(rb'number-columns-repeated="(\d{1,12})"')


def check_sizes(data: bytes, limits: ReaderLimits) -> None:
    """Refuse a zipped workbook that unpacks to more than memory should hold, or is damaged.

    Every part is unpacked once, piece by piece: the sizes written in a zip file may lie.
    """
    most, total = limits.most_unpacked(len(data)), 0
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            parts = package.infolist()
            if len(parts) > limits.parts:
                raise Unreadable(
                    f"the workbook has {len(parts)} parts; {limits.parts} are allowed (setting reader_parts)",
                    "file-too-large",
                )
            for part in parts:
                with package.open(part) as stream:
                    while chunk := stream.read(_CHUNK):
                        total += len(chunk)
                        if total > most:
                            raise Unreadable(limits.too_much_unpacked(len(data)), "file-too-large")
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise Unreadable(f"the workbook is damaged or encrypted ({error}); open it and save it again") from error


def find_marks(data: bytes, limits: ReaderLimits) -> dict[str, FoundMarks]:
    """Find formulas without value, errors and merged cells of every sheet, by sheet name.

    Empty for workbooks that are not Office Open XML with XML sheets.

    Parameters
    ----------
    data : the workbook, zipped.
    limits : how many cells and columns a sheet may span.

    Raises
    ------
    Unreadable : cells far apart would need a table of more cells, cells lie outside of any sheet, or XML entities.
    """
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        names = set(package.namelist())
        if "content.xml" in names:
            _refuse_repeats(package.read("content.xml"), limits)
        if not {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= names:
            return {}
        targets = _targets(package)
        return {
            sheet: _marks(package.read(target), sheet, limits) for sheet, target in targets.items() if target in names
        }


def _targets(package: zipfile.ZipFile) -> dict[str, str]:
    """Map sheet names to the parts that hold them."""
    relations = [_attributes(tag) for tag in _RELATION.findall(package.read("xl/_rels/workbook.xml.rels"))]
    part = {
        one.get("Id", ""): posixpath.normpath(posixpath.join("/xl", one.get("Target", "")))[1:] for one in relations
    }
    sheets = [_attributes(tag) for tag in _SHEET.findall(package.read("xl/workbook.xml"))]
    return {
        html.unescape(one.get("name", "")): part[one["id"]]
        for one in sheets
        if one.get("id", "") in part and part[one["id"]].endswith(".xml")
    }


def _attributes(tag: bytes) -> dict[str, str]:
    """Read the attributes of a tag, without their prefixes."""
    pairs = _ATTRIBUTE.findall(tag)
    return {name.decode().rpartition(":")[2]: value.decode(errors="replace") for name, value in pairs}


def _marks(xml: bytes, sheet: str, limits: ReaderLimits) -> FoundMarks:
    if b"<!DOCTYPE" in xml or b"<!ENTITY" in xml:
        raise Unreadable(f'the sheet "{sheet}" defines XML entities; save the workbook again')
    _refuse_scattered(xml, sheet, limits)
    formulas = [(place, text) for place, text in _FORMULA.findall(xml) if b't="str"' not in place]
    merged = [(b'r="' + first + b'"', whole) for whole, first in _MERGED.findall(xml)]
    return FoundMarks(formulas, _ERROR.findall(xml), merged)


def column_number(letters: str) -> int:
    """Turn the letters of a column into its number, A = 0."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def _refuse_scattered(xml: bytes, sheet: str, limits: ReaderLimits) -> None:
    """Refuse a sheet whose cells lie outside of any sheet, or span a table too large to lay out."""
    places = _PLACE.findall(xml)
    rows = {number for _, number in places} | set(_ROW.findall(xml))
    letters = {letters.decode().upper() for letters, _ in places}
    height = max(map(int, rows), default=0)
    width = max(map(column_number, letters), default=-1) + 1
    if height > _ROWS or width > _COLUMNS:
        raise Unreadable(
            f'the sheet "{sheet}" names row {height} and column {width}; a sheet ends at row {_ROWS} and column '
            f"{_COLUMNS}: open it in its program and save it again"
        )
    refuse_span(height, width, sheet, limits)


def refuse_span(height: int, width: int, sheet: str, limits: ReaderLimits, before: int = 0) -> None:
    """Refuse a sheet that reaches too far; ``before`` counts the cells of the sheets before it."""
    if before + height * width > limits.cells or width > limits.columns:
        raise Unreadable(
            f'the sheet "{sheet}" reaches to row {height} and column {width}; delete the stray cell far from the table',
            "file-too-large",
        )


def _refuse_repeats(xml: bytes, limits: ReaderLimits) -> None:
    """Refuse an OpenDocument sheet that spans too much, by cells and rows which say how often they repeat."""
    if b"<!DOCTYPE" in xml or b"<!ENTITY" in xml:
        raise Unreadable("the workbook defines XML entities; save it again")
    for table in xml.split(b"<table:table ")[1:]:
        rows = table.split(b"<table:table-row")[1:]
        filled = [number for number, row in enumerate(rows) if b"<text:" in row or b"office:value" in row]
        if not filled:
            continue
        repeats = [_ROWS_REPEATED.findall(row) for row in rows[: filled[-1] + 1]]
        height = sum(int(found[0]) if found else 1 for found in repeats)
        width = max(_filled_width(rows[number]) for number in filled)
        refuse_span(height, width, _attributes(table.partition(b">")[0]).get("name", ""), limits)


def _filled_width(row: bytes) -> int:
    """Count the columns of a row up to its last filled cell."""
    used = row[: max(row.rfind(b"<text:"), row.rfind(b"office:value"))]
    repeated = [int(number) for number in _COLUMNS_REPEATED.findall(used)]
    return used.count(b"<table:table-cell") + sum(repeated) - len(repeated)
