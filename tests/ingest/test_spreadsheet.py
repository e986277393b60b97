"""Workbooks: true numbers and dates are known as such, and what a value reader hides is said."""

from __future__ import annotations

import datetime as dt
import gzip
import io
import pickle
import re
import zipfile
from typing import TYPE_CHECKING

import numpy as np
import openpyxl
import pytest
from python_calamine import PasswordError

from pipeline.ingest import apart, reader, workbook_reader
from pipeline.ingest.reader_limits import ReaderLimits
from pipeline.ingest.reading import FileContent, grids
from pipeline.ingest.spreadsheet import is_workbook, sheets
from pipeline.ingest.unreadable import Unreadable

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook


MANIFEST = (
    '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
    '<manifest:file-entry manifest:full-path="/" '
    'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/></manifest:manifest>'
)


def saved(workbook: Workbook) -> bytes:
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()


def with_rows(*rows: list[object]) -> bytes:
    workbook = openpyxl.Workbook()
    for row in rows:
        workbook.active.append(row)
    return saved(workbook)


def repacked(data: bytes, part: str, old: bytes, new: bytes) -> bytes:
    """Change one part of a workbook."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            content = source.read(name)
            assert name != part or old in content
            target.writestr(name, content.replace(old, new) if name == part else content)
    return out.getvalue()


def cell(text: str, attributes: str = ' office:value-type="string"') -> str:
    return f"<table:table-cell{attributes}><text:p>{text}</text:p></table:table-cell>"


def open_document(rows: str) -> bytes:
    """Zip the least OpenDocument spreadsheet, one table of ``rows``."""
    spaces = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in ("office", "table", "text")
    )
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {spaces} office:version="1.3">'
        f'<office:body><office:spreadsheet><table:table table:name="Kit">{rows}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        package.writestr("content.xml", content)
        package.writestr("META-INF/manifest.xml", MANIFEST)
    return out.getvalue()


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (12.0, "12"),
        (7.1, "7.1"),
        (1 / 3, "0.3333333333333333"),
        (-0.05, "-0.05"),
        (1e-7, "1e-07"),
        (123456789012, "123456789012"),
        ("  7,2 ", "7,2"),
        ("007", "007"),
        (dt.date(2026, 3, 1), "2026-03-01"),
        (dt.datetime(2026, 3, 1, 10, 5), "2026-03-01 10:05:00"),  # noqa: DTZ001 - a sheet knows no time zone
        (dt.time(9, 30), "09:30:00"),
        (dt.timedelta(hours=30, minutes=5), "30:05:00"),
        (True, "TRUE"),
        (False, "FALSE"),
    ],
)
def test_values_become_the_shortest_text_and_remember_their_kind(value: object, text: str) -> None:
    (grid,) = sheets(with_rows(["heading", value]))

    assert grid.row(0) == ["heading", text]
    assert grid.number_cells is not None
    assert grid.number_cells.tolist() == [False, type(value) in {int, float}]
    assert grid.date_cells is not None
    assert grid.date_cells.tolist() == [False, isinstance(value, (dt.date, dt.time, dt.timedelta))]


def test_rows_carry_the_numbers_of_the_sheet() -> None:
    workbook = openpyxl.Workbook()
    workbook.active["B3"] = "ph"
    workbook.active["B4"] = 7.1

    (grid,) = sheets(saved(workbook))

    assert grid.line.tolist() == [1, 2, 3, 4]
    assert [grid.row(2), grid.row(3)] == [["", "ph"], ["", "7.1"]]
    assert grid.sheet == "Sheet"


def test_a_formula_without_stored_value_is_noted() -> None:
    """The test library stores no value with a formula: as a script or an export writes it."""
    (grid,) = sheets(with_rows(["ph", "hardness"], [7.1, '=A2*2&" < "']))

    assert grid.row(1) == ["7.1", ""]
    assert grid.notices[["problem", "line", "column", "raw_text"]].to_numpy().tolist() == [
        ["formula-without-value", 2, "Sheet!B2", '=A2*2&" < "']
    ]


def test_a_formula_with_stored_value_is_a_number() -> None:
    data = repacked(with_rows(["ph"], ["=3+4"]), "xl/worksheets/sheet1.xml", b"<f>3+4</f><v />", b"<f>3+4</f><v>7</v>")

    (grid,) = sheets(data)

    assert grid.row(1) == ["7"]
    assert grid.notices.empty


def test_error_values_stay_as_text() -> None:
    """They are entries, also at the edge of the table, where a value reader ends it."""
    data = with_rows(["ph", "ec"], ["#N/A", 540], [None, None, "#DIV/0!"])

    (grid,) = sheets(data)

    assert [grid.row(1), grid.row(2)] == [["#N/A", "540", ""], ["", "", "#DIV/0!"]]
    assert grid.number_cells is not None
    assert np.flatnonzero(grid.number_cells).tolist() == [4]


def test_merged_cells_are_noted() -> None:
    workbook = openpyxl.load_workbook(io.BytesIO(with_rows(["site", "ph"], ["Bar", 7.1], [None, 7.2])))
    workbook.active.merge_cells("A2:A3")

    (grid,) = sheets(saved(workbook))

    assert grid.notices[["problem", "line", "column", "detail"]].to_numpy().tolist() == [
        ["merged-cells", 2, "Sheet!A2:A3", "A2:A3"]
    ]


def test_hidden_sheets_and_charts_are_passed_over_and_named() -> None:
    workbook = openpyxl.load_workbook(io.BytesIO(with_rows(["ph"], [7.1])))
    workbook.create_sheet("Empty")
    hidden = workbook.create_sheet("Old & gone")
    hidden["A1"] = 3
    hidden.sheet_state = "hidden"
    workbook.create_chartsheet("Chart")
    workbook.create_sheet("Second")["A1"] = "ec"

    found = sheets(saved(workbook))

    assert [grid.sheet for grid in found] == ["Sheet", "Second"]
    assert found[0].notices[["problem", "column"]].to_numpy().tolist() == [
        ["sheet-skipped", "Old & gone"],
        ["sheet-skipped", "Chart"],
    ]


def test_notices_carry_the_hash_of_the_file() -> None:
    data = with_rows(["ph"], ["=1"])

    (grid,) = grids(FileContent("a.xlsx", data, "abc123", len(data), data))

    assert grid.notices["file_sha256"].tolist() == ["abc123"]


def test_an_open_document_sheet_is_read() -> None:
    rows = (
        f"<table:table-row>{cell('site')}{cell('ph')}</table:table-row>"
        f'<table:table-row table:number-rows-repeated="2">{cell("Bar")}'
        + cell("7,1", ' office:value-type="float" office:value="7.1"')
        + "</table:table-row>"
    )

    (grid,) = sheets(open_document(rows))

    assert [grid.row(number) for number in range(3)] == [["site", "ph"], ["Bar", "7.1"], ["Bar", "7.1"]]
    assert grid.number_cells is not None
    assert grid.number_cells.tolist() == [False, False, False, True, False, True]
    assert grid.sheet == "Kit"


@pytest.mark.parametrize("repeated", ["rows", "columns"])
def test_an_open_document_sheet_of_endless_repeats_is_refused(repeated: str) -> None:
    row_times = ' table:number-rows-repeated="900000000"' if repeated == "rows" else ""
    cell_times = (
        ' office:value-type="string" table:number-columns-repeated="900000000"' if repeated == "columns" else ""
    )
    row = f"<table:table-row{row_times}>{cell('x', cell_times)}</table:table-row>"

    with pytest.raises(Unreadable, match='the sheet "Kit" reaches to'):
        sheets(open_document(row))


def test_a_stray_cell_at_the_far_corner_is_refused_before_memory_is_used() -> None:
    workbook = openpyxl.Workbook()
    workbook.active["A1"] = 1
    workbook.active["XFD1048576"] = 1

    with pytest.raises(Unreadable, match="reaches to row 1048576 and column 16384"):
        sheets(saved(workbook))


WORKBOOK = with_rows(["site", "ph"], *([f"Bar {number}", number] for number in range(200)))


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (WORKBOOK[:3000], "damaged or encrypted"),
        (b"PK\x03\x04" + b"junk" * 50, "damaged or encrypted"),
        (WORKBOOK[:1000] + b"\0" * 300 + WORKBOOK[1300:], "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"x" * 2000, "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "EncryptedPackage".encode("utf-16-le"), "without a password"),
        (open_document(""), "no sheet of the workbook holds anything"),
        (repacked(open_document(""), "content.xml", b"?><", b"?><!DOCTYPE a><"), "XML entities"),
        (with_rows(), "no sheet of the workbook holds anything"),
        (
            repacked(
                WORKBOOK,
                "xl/worksheets/sheet1.xml",
                b"<worksheet",
                b'<!DOCTYPE a [<!ENTITY b "c">]><worksheet',
            ),
            "XML entities",
        ),
    ],
    ids=range(9),  # a workbook bears the time at which it was packed, which differs from process to process
)
def test_a_workbook_that_cannot_be_read_is_refused(data: bytes, reason: str) -> None:
    assert is_workbook(data)
    with pytest.raises(Unreadable, match=reason):
        sheets(data)


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (PasswordError("locked"), "without a password"),
        (MemoryError(), "more than 2048 MB"),
        (type("PanicException", (BaseException,), {})(), "the workbook is damaged"),
    ],
)
def test_a_failure_of_the_reader_is_said_plainly(
    monkeypatch: pytest.MonkeyPatch, error: BaseException, reason: str
) -> None:
    def fail(_: object) -> None:
        raise error

    monkeypatch.setattr(workbook_reader.CalamineWorkbook, "from_filelike", staticmethod(fail))
    monkeypatch.setattr(apart, "_READER", Here())
    with pytest.raises(Unreadable, match=reason):
        sheets(WORKBOOK)


class Here:
    """The reader in this process, so that a test can reach into it."""

    def read(self, kind: str, data: bytes, limits: ReaderLimits, pieces: io.BytesIO) -> tuple[str, object]:
        """Read one file."""
        return reader.answer(kind, data, limits, pieces.write)


# The row lies outside of every sheet; so many attributes stand before its number that no pattern looks that far.
FAR_ROW = b'<row spans="' + b"1 " * 400 + b'" r="4294967295"><c><v>1</v></c></row></sheetData>'


@pytest.mark.parametrize(
    ("far", "reason"),
    [
        (b'<row r="4294967295"><c><v>1</v></c></row></sheetData>', "names row 4294967295"),
        (b"<row r='4294967295'><c><v>1</v></c></row></sheetData>", "names row 4294967295"),
        (b'<row r="3"><c r="ZZZZZ3"><v>1</v></c></row></sheetData>', "a sheet ends at row 1048576 and column 16384"),
        (b'<row r="3"><c r="XFE3"><v>1</v></c></row></sheetData>', "names row 201 and column 16385"),
        (b'<row r="1048576"><c r="AT1048576"><v>1</v></c></row></sheetData>', "reaches to row 1048576 and column 46"),
        (FAR_ROW, "more than 2048 MB"),
    ],
)
def test_a_cell_outside_of_any_table_costs_its_file_alone(far: bytes, reason: str) -> None:
    monster = repacked(WORKBOOK, "xl/worksheets/sheet1.xml", b"</sheetData>", far)

    with pytest.raises(Unreadable, match=reason):
        sheets(monster)
    assert len(sheets(WORKBOOK)[0]) == 201


def test_a_workbook_that_takes_too_long_costs_its_file_alone() -> None:
    with pytest.raises(Unreadable, match=re.escape("more than 0 s (setting reader_seconds)")):
        sheets(WORKBOOK, ReaderLimits(seconds=0.0))
    assert len(sheets(WORKBOOK)[0]) == 201


def test_sheets_that_together_are_too_large_are_refused() -> None:
    with pytest.raises(Unreadable, match='the sheet "Sheet" reaches to row 201 and column 2'):
        sheets(WORKBOOK, ReaderLimits(cells=100))


def test_the_reader_answers_one_file_after_the_other() -> None:
    def asked(kind: str, data: bytes) -> bytes:
        head = pickle.dumps((kind, ReaderLimits()))
        return reader.REQUEST.pack(len(head), len(data)) + head + data

    files = [("workbook", WORKBOOK), ("gzip", gzip.compress(b"Sample,pH")), ("pdf", b"%PDF-1.7 nothing")]
    answers = io.BytesIO()
    reader.serve(io.BytesIO(b"".join(asked(*file) for file in files)), answers)

    answers.seek(0)
    told = []
    while head := answers.read(reader.LENGTH.size):
        told.append(answers.read(*reader.LENGTH.unpack(head)))
    workbook, packed, pdf = (pickle.loads(told[place]) for place in (1, 4, 6))  # noqa: S301 - written above
    assert workbook[1][0].rows[1] == ["Bar 0", 0.0]
    assert (told[2], packed) == (b"Sample,pH", ("read", 9))
    assert pdf == ("refused", ("the PDF is damaged or cut off", "file-unreadable"))


@pytest.mark.parametrize(
    ("limits", "reason"),
    [
        (ReaderLimits(parts=3), "3 are allowed (setting reader_parts)"),
        (ReaderLimits(unpacked_bytes=10_000), "more than the 10,000 bytes that are allowed (setting max_file_mb)"),
        (ReaderLimits(columns=1), "reaches to row 201 and column 2"),
        (ReaderLimits(memory_mb=10), "more than 10 MB (setting reader_memory_mb)"),
    ],
)
def test_a_workbook_beyond_a_limit_is_refused(limits: ReaderLimits, reason: str) -> None:
    """What counts is what comes out of the zip file, not the size written in it."""
    with pytest.raises(Unreadable, match=re.escape(reason)):
        sheets(WORKBOOK, limits)
