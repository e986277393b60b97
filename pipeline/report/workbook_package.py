"""What every workbook has besides its sheets, as the open format says (ECMA-376, parts 1 and 2): a zip of XML files."""

from __future__ import annotations

import zipfile
from typing import TYPE_CHECKING, BinaryIO, Final
from xml.sax.saxutils import escape

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

SPREADSHEET: Final = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE: Final = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE: Final = "http://schemas.openxmlformats.org/package/2006"
_KIND: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_XML: Final = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'


def write_package(target: Path | BinaryIO, sheets: Mapping[str, Callable[[], str]], styles: str) -> None:
    """Write a workbook.

    Parameters
    ----------
    target : the file, or what takes its bytes.
    sheets : by name what gives the element `worksheet`; one is made after the other, so that no two are held at once.
    styles : the element `styleSheet`.
    """
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as book:
        for path, text in _parts(list(sheets), styles).items():
            book.writestr(path, _XML + text)
        for number, sheet in enumerate(sheets.values(), start=1):
            with book.open(f"xl/worksheets/sheet{number}.xml", "w", force_zip64=True) as part:
                part.write((_XML + sheet()).encode())


def _parts(names: list[str], styles: str) -> dict[str, str]:
    numbers = range(1, len(names) + 1)
    kinds = "".join(
        f'<Override PartName="/xl/worksheets/sheet{number}.xml" ContentType="{_KIND}.worksheet+xml"/>'
        for number in numbers
    )
    listed = "".join(
        f'<sheet name="{escape(name)}" sheetId="{number}" r:id="rId{number}"/>'
        for number, name in zip(numbers, names, strict=True)
    )
    of_book = [("worksheet", f"worksheets/sheet{number}.xml") for number in numbers]
    return {
        "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types"><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{_KIND}.sheet.main+xml"/>'
        f'<Override PartName="/xl/styles.xml" ContentType="{_KIND}.styles+xml"/>{kinds}</Types>',
        "_rels/.rels": _relations([("officeDocument", "xl/workbook.xml")]),
        "xl/workbook.xml": f'<workbook xmlns="{SPREADSHEET}" xmlns:r="{_OFFICE}"><sheets>{listed}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": _relations([*of_book, ("styles", "styles.xml")]),
        "xl/styles.xml": styles,
    }


def _relations(targets: list[tuple[str, str]]) -> str:
    listed = "".join(
        f'<Relationship Id="rId{number}" Type="{_OFFICE}/{kind}" Target="{target}"/>'
        for number, (kind, target) in enumerate(targets, start=1)
    )
    return f'<Relationships xmlns="{_PACKAGE}/relationships">{listed}</Relationships>'
