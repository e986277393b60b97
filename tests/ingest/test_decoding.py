"""Encodings: told by marks and by the words of the trade; a bad byte is named with its offset and line."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ingest.decoding import decode
from pipeline.ingest.unreadable import Unreadable

TEXT = "Ort;Leitfähigkeit µS/cm;€\nGrünau;540;𝄞\n"


@pytest.mark.source("UNICODE-BOM")
@pytest.mark.parametrize(
    ("mark", "encoding"),
    [
        (b"\xef\xbb\xbf", "utf-8"),
        (b"\xff\xfe", "utf-16-le"),
        (b"\xfe\xff", "utf-16-be"),
        (b"\xff\xfe\x00\x00", "utf-32-le"),
        (b"\x00\x00\xfe\xff", "utf-32-be"),
    ],
)
def test_a_byte_order_mark_decides(mark: bytes, encoding: str) -> None:
    decoded = decode(mark + TEXT.encode(encoding), "cp1252")

    assert decoded.text_bytes == TEXT.encode()
    assert decoded.encoding == encoding
    assert decoded.notice == ""


@given(text=st.text(alphabet=st.characters(exclude_categories=["Cs", "Cc"])))
def test_utf8_passes_unchanged(text: str) -> None:
    decoded = decode(text.removeprefix("\ufeff").encode())

    assert decoded.text_bytes == text.removeprefix("\ufeff").encode()
    assert decoded.notice == ""


@pytest.mark.source("WHATWG-1252")
def test_windows_1252_is_read_and_announced_with_offset_and_line() -> None:
    """B5 is the micro sign and 80 the euro sign in Windows-1252."""
    decoded = decode(b"ph\r\n7\r\nEC \xb5S/cm \x80\r\n")

    assert decoded.text_bytes.decode() == "ph\r\n7\r\nEC µS/cm €\r\n"
    assert decoded.encoding == "cp1252"
    assert "byte 0xB5 at offset 10 (line 3) is not utf-8" in decoded.notice


@pytest.mark.parametrize("line_end", ["\r", "\n", "\r\n"])
def test_the_line_of_a_bad_byte_counts_every_kind_of_line_end(line_end: str) -> None:
    data = line_end.join(["a", "b", "c "]).encode() + b"\xb5"

    assert "(line 3)" in decode(data).notice


def test_the_declared_encoding_comes_before_windows_1252() -> None:
    """8E is é in Mac Roman (and Ž in Windows-1252)."""
    decoded = decode(b"Orl\x8eans\r", "mac_roman")

    assert decoded.text_bytes.decode() == "Orléans\r"
    assert decoded.notice == "byte 0x8E at offset 3 (line 1) is not utf-8; the file was read as mac_roman"


def test_declared_utf16_needs_no_mark() -> None:
    assert decode(TEXT.encode("utf-16-le"), "utf-16-le").text_bytes == TEXT.encode()


def test_a_utf8_text_cut_in_a_character_stays_utf8() -> None:
    cut = "µS/cm é\nGrün".encode() + b"\xc3"

    decoded = decode(cut)

    assert decoded.text_bytes.decode() == "µS/cm é\nGrün\N{REPLACEMENT CHARACTER}"
    assert "ends in the middle of a character" in decoded.notice


def test_an_end_of_text_sign_at_the_end_is_no_cell() -> None:
    assert decode(b"ph\r\n7\r\n\x1a").text_bytes == b"ph\r\n7\r\n"


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"ph\n\x81\n", r"byte 0x81 at offset 3 \(line 2\) is not cp1252; declare the encoding"),
        (b"SQLite format 3\x00" + bytes(range(256)), "control characters"),
        (b"\x00\x01\x02\x03" * 9, "NUL byte at offset 0"),
        (b" <!DOCTYPE html><table>", "a web page; open it in a spreadsheet program"),
        (b'<?xml version="1.0"?><Workbook/>', "an XML document"),
        (b"\x1f\x8b\x08", "a compressed file .gzip. in another one"),
        (b"%PDF-1.7\n", "a PDF document"),
        (b"\x89PNG\r\n\x1a\n", "a picture"),
        (bytes(range(1, 32)) * 20, "control characters"),
        (b"\xff\xfea", "not utf-16-le"),
        (b"\xff\xfea\x00\x00\x00", "NUL characters"),
    ],
)
def test_what_is_no_text_is_refused_with_a_plain_reason(data: bytes, reason: str) -> None:
    with pytest.raises(Unreadable, match=reason):
        decode(data)


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf16_without_its_mark_is_read_and_told(encoding: str) -> None:
    """Instruments write it so; in Western text every other byte is zero."""
    decoded = decode("Probe;pH;Härte\nA-1;7,4;12\n".encode(encoding))

    assert decoded.text_bytes.decode() == "Probe;pH;Härte\nA-1;7,4;12\n"
    assert (decoded.encoding, "no byte order mark" in decoded.notice) == (encoding, True)


@pytest.mark.parametrize(
    ("data", "text", "told"),
    [
        (b"ph\n7\x004\n8\n", "ph\n7\N{SYMBOL FOR NULL}4\n8\n", "1 NUL byte, the first at offset 4 (line 2), is shown"),
        (b"ph\n7\n" + bytes(900), "ph\n7\n", "900 NUL bytes at its end were left out"),
        (b"ph\n7\x1b\n", "ph\n7\x1b\n", ""),
    ],
)
def test_a_stray_control_character_costs_its_cell_not_the_file(data: bytes, text: str, told: str) -> None:
    """A disk that lost power fills the end of a file with NULs; a printer's switch is one byte."""
    decoded = decode(data)

    assert decoded.text_bytes.decode() == text
    assert told in decoded.notice


def test_a_wrong_declaration_is_refused() -> None:
    with pytest.raises(Unreadable, match=r"byte 0xB5 at offset 3 \(line 2\) is not ascii"):
        decode(b"ph\n\xb5", "ascii")
    with pytest.raises(Unreadable, match='"latin-99" is not known'):
        decode(b"ph\n\xb5", "latin-99")


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("Miejsce poboru;Twardość ogólna;Żelazo;Wapń\nŁąka;298;0,1;92\n", "cp1250"),
        ("Místo odběru;Vodivost;Hořčík;Dusičnany\nDubá;512;16;8\n", "cp1250"),
        ("採水地点,総硬度,塩化物イオン\n第一浄水場,58,12.1\n", "cp932"),
        ("采样点,总硬度,氯化物\n1号井,265,31.2\n", "gb18030"),
        ("Entnahmestelle;Gesamthärte;Säurekapazität\nKüche;14;3,9\n", "cp1252"),
        ("Commune;Dureté;Conductivité\nBellême;25;540\n", "cp1252"),
    ],
)
def test_the_words_of_a_table_tell_its_encoding(text: str, encoding: str) -> None:
    """Spreadsheets save CSV files in the code page of their country."""
    decoded = decode(text.encode(encoding))

    assert (decoded.text_bytes.decode(), decoded.encoding) == (text, encoding)
    assert f"the file was read as {encoding}" in decoded.notice
