"""Files that ask for more than anything should cost: each is told with the limit it passes, and the others are read."""

from __future__ import annotations

import gzip
import io
import json
import zipfile
import zlib
from dataclasses import fields
from typing import Any

import openpyxl
import pytest
from click.testing import CliRunner
from reportlab.pdfgen.canvas import Canvas

from pipeline.cli import main
from pipeline.ingest.reader_limits import ReaderLimits
from pipeline.settings import Settings

GOOD = "Sample,pH,Calcium (mg/L)\nA-1,7.4,62\n"
LIMITS = {
    "reader_memory_mb": 256,
    "reader_seconds": 4,
    "reader_cells": 50_000,
    "reader_columns": 300,
    "reader_pages": 3,
    "reader_parts": 40,
    "reader_unpacked_times": 30,
    "max_file_mb": 100,
}


def workbook(*rows: list[object]) -> bytes:
    book, out = openpyxl.Workbook(), io.BytesIO()
    for row in rows:
        book.worksheets[0].append(row)
    book.save(out)
    return out.getvalue()


def sheet_of(cells: bytes, parts: int = 0) -> bytes:
    """Give a workbook with other cells, and with further parts in its package."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook(["Sample", "pH"], ["A-1", 7.4]))) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, data.replace(b"</sheetData>", cells + b"</sheetData>") if "sheet1" in name else data)
        for number in range(parts):
            new.writestr(f"xl/media/{number}.bin", b"")
    return out.getvalue()


def printed(pages: int) -> bytes:
    out = io.BytesIO()
    canvas = Canvas(out)
    for number in range(pages):
        canvas.drawString(72, 700, f"page {number}")
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def document(stream: bytes, entries: bytes = b"", box: bytes = b"0 0 9 9") -> bytes:
    """Write a PDF of one page with this stream, already packed, as its contents."""
    objects = [
        b"<</Type/Catalog/Pages 2 0 R>>",
        b"<</Type/Pages/Kids[3 0 R]/Count 1>>",
        b"<</Type/Page/Parent 2 0 R/MediaBox[%s]/Contents 4 0 R/Resources<</Font<</F 5 0 R>>>>>>" % box,
        b"<</Length %d%s>>stream\n%s\nendstream" % (len(stream), entries, stream),
        b"<</Type/Font/Subtype/Type1/BaseFont/Helvetica>>",
    ]
    text, places = b"%PDF-1.7\n", []
    for number, body in enumerate(objects, start=1):
        places.append(len(text))
        text += b"%d 0 obj%s endobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % place for place in places)
    head = b"xref\n0 6\n0000000000 65535 f \n"
    return text + head + table + b"trailer<</Size 6/Root 1 0 R>>\nstartxref\n%d\n%%%%EOF" % len(text)


def monsters() -> dict[str, tuple[bytes, str]]:
    """Give each monster and a word of what is said of it."""
    numbers = b" ".join(b"(%d) Tj 1 0 Td" % number for number in range(400_000))
    return {
        "bomb.csv.gz": (gzip.compress(bytes(70 << 20), 1), "setting reader_unpacked_times"),
        "endless.csv": (
            GOOD.encode() + b"A-2,7.4," + b"9" * (1 << 20) + b"\n",
            "line 3 has 1,048,584 bytes; 307,200 are",
        ),
        "wide.csv": ((",".join(["x"] * 301) + "\n").encode() * 3, "301 columns; 300 are allowed"),
        "wide.xlsx": (workbook(["x"] * 301, ["y"]), "column 301"),
        "bomb.xlsx": (sheet_of(b" " * (70 << 20)), "setting reader_unpacked_times"),
        "parts.xlsx": (sheet_of(b"", 50), "setting reader_parts"),
        "far.xlsx": (sheet_of(b'<row r="40000"><c r="B40000"><v>1</v></c></row>'), "reaches to row 40000"),
        "outside.xlsx": (sheet_of(b'<row r="9"><c r="XFE9"><v>1</v></c></row>'), "a sheet ends at"),
        "book.pdf": (printed(4), "setting reader_pages"),
        "bomb.pdf": (document(zlib.compress(bytes(200 << 20), 1), b"/Filter/FlateDecode"), "setting reader_"),
        "shape.pdf": (document(b"", box=b"0 0 1e30 -1e30"), "the PDF is damaged"),
        "slow.pdf": (document(b"BT /F 1 Tf " + numbers + b" ET"), "setting reader_seconds"),
    }


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Take all of them in beside one good file; gives the summary with the exit code."""
    folder = tmp_path_factory.mktemp("monsters")
    for name, (content, _) in MONSTERS.items():
        (folder / name).write_bytes(content)
    (folder / "good.csv").write_text(GOOD, encoding="utf-8")
    (folder / "kettlestone.toml").write_text("".join(f"{name} = {value}\n" for name, value in LIMITS.items()))
    out, settings = str(folder / "out"), str(folder / "kettlestone.toml")
    result = CliRunner().invoke(main, ["intake", str(folder), "--out", out, "--settings", settings, "--json"])
    return {**json.loads(result.stdout), "code": result.exit_code}


MONSTERS = monsters()


@pytest.mark.parametrize("name", MONSTERS)
def test_a_monster_is_told_with_its_limit(told: dict[str, Any], name: str) -> None:
    (file,) = [one for one in told["files"] if one["name"].endswith(f"/{name}")]
    said = [row["message"] for row in told["notices"] if row["name"].endswith(f"/{name}")]

    assert (file["status"], file["entries"]) == ("not understood", 0)
    assert any(MONSTERS[name][1] in message for message in said), said


def test_the_good_file_beside_them_is_read(told: dict[str, Any]) -> None:
    assert told["code"] == 1
    assert told["entries"]["accepted"] == 2


def test_every_limit_is_a_setting() -> None:
    """And a limit of the settings is one that a monster above passes."""
    stated = {f"reader_{one.name}" for one in fields(ReaderLimits)} - {"reader_unpacked_bytes"} | {"max_file_mb"}

    assert stated == set(LIMITS)
    assert stated <= {one.name for one in fields(Settings)}
