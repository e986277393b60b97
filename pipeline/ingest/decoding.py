"""Turn the bytes of a text file into UTF-8: byte order mark, UTF-8, then as its words or its layout tell."""

from __future__ import annotations

import codecs
from dataclasses import dataclass, replace
from typing import Final

import pyarrow as pa

from pipeline.ingest.encodings import likeliest
from pipeline.ingest.unreadable import Unreadable

_BYTE_ORDER_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark is the beginning of this one
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_OTHER_KINDS: Final = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"{\\rtf", "a word processor document (RTF)"),
    (b"PAR1", "a Parquet file"),
    (b"BZh", "a compressed file (bzip2)"),
    (b"\xfd7zXZ", "a compressed file (xz)"),
    (b"\x1f\x8b", "a compressed file (gzip) in another one"),
    (b"PK\x03\x04", "a compressed folder (ZIP)"),
)
_MARKED_UP: Final = ((b"<!doctype html", "a web page"), (b"<html", "a web page"), (b"<?xml", "an XML document"))
_END_OF_TEXT: Final = b"\x1a"  # old meters and loggers end their files with it
_CONTROL: Final = bytes({*range(0x20), 0x7F} - set(b"\t\n\r\f\x1a"))
_MAX_CONTROL_SHARE: Final = 0.01
_FEW_CONTROLS: Final = 3  # in a small file too: a stray key, a switch of a printer
_NUL, _NUL_SIGN = b"\0", "\N{SYMBOL FOR NULL}".encode()
_UNMARKED: Final = ("utf-16-le", "utf-16-be")
_ZEROS_OF_HALF: Final = 0.7  # share of zeros among every other byte of Western text in UTF-16
_SAMPLE: Final = 1 << 16


@dataclass(frozen=True)
class Decoded:
    """Text as UTF-8 bytes, the encoding it had, and a remark if that encoding was assumed ("" if certain)."""

    text_bytes: bytes
    encoding: str
    notice: str


def decode(data: bytes, fallback: str | None = None) -> Decoded:
    """Decode a text file: byte order mark, strict UTF-8, then ``fallback`` with a notice.

    Statistics of letters guess wrongly on the small files of this trade; the words of their headings do not.

    Parameters
    ----------
    data : the bytes of the file.
    fallback : the encoding of a file that is not UTF-8; None: the one in which its words are known.

    Raises
    ------
    Unreadable : not text, or not in the encoding; names offset and line of the first bad byte.
    """
    for mark, encoding in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            return Decoded(_as_utf8(data[len(mark) :], encoding, len(mark)), encoding, "")
    if fallback is not None and fallback.lower().replace("_", "-").startswith(("utf-16", "utf-32")):
        return Decoded(_as_utf8(data, fallback, 0), fallback, "")
    if unmarked := _utf16(data):
        return Decoded(_as_utf8(data, unmarked, 0), unmarked, f"it has no byte order mark; it was read as {unmarked}")
    text, nuls = _without_nuls(data)
    _refuse_binary(text)
    text = text.rstrip(_END_OF_TEXT)
    fault = _utf8_fault(text)
    decoded = Decoded(text, "utf-8", "") if fault is None else _not_utf8(text, fault, fallback or likeliest(text))
    return replace(decoded, notice="; ".join(filter(None, (nuls, decoded.notice))))


def _utf16(data: bytes) -> str:
    """Tell text in UTF-16 without its mark by the zeros in every other byte; "" for anything else."""
    sample = data[:_SAMPLE]
    if len(data) % 2 or not sample:
        return ""
    zeros = [sample[half::2].count(0) / (len(sample) / 2) for half in (1, 0)]
    return _UNMARKED[zeros.index(max(zeros))] if max(zeros) > _ZEROS_OF_HALF and not min(zeros) else ""


def _without_nuls(data: bytes) -> tuple[bytes, str]:
    """Take off the NULs with which a disk fills a file that was cut off, and make a stray one visible.

    Raises
    ------
    Unreadable : there are so many that it is no text.
    """
    if (place := data.find(_NUL)) < 0:
        return data, ""
    text = data.rstrip(_NUL)
    cut = f"{len(data) - len(text):,} NUL bytes at its end were left out" if len(text) < len(data) else ""
    if not (stray := text.count(_NUL)):
        return text, cut
    if stray > max(_MAX_CONTROL_SHARE * len(text), _FEW_CONTROLS):
        raise Unreadable(f"it holds a NUL byte at offset {place} and is not a text file")
    line = text[:place].count(b"\n") + 1
    where = f"{stray} NUL byte{'' if stray == 1 else 's'}, the first at offset {place} (line {line})"
    return text.replace(_NUL, _NUL_SIGN), "; ".join(
        filter(None, (f"{where}, {'is' if stray == 1 else 'are'} shown as {_NUL_SIGN.decode()}", cut))
    )


def _utf8_fault(data: bytes) -> UnicodeDecodeError | None:
    """Find the first fault; sound text is checked without making a copy of it."""
    if data.isascii():
        return None
    offsets = pa.array([0, len(data)], type=pa.int64()).buffers()[1]
    text = pa.LargeBinaryArray.from_buffers(pa.large_binary(), 1, [None, offsets, pa.py_buffer(data)])
    try:
        text.cast(pa.large_string())
    except pa.ArrowInvalid:
        try:
            data.decode("utf-8")
        except UnicodeDecodeError as error:
            return error
    return None


def _not_utf8(data: bytes, error: UnicodeDecodeError, fallback: str) -> Decoded:
    fault = _place(data, error, "utf-8", 0)
    whole = data[: error.start]
    if error.reason == "unexpected end of data" and not whole.isascii():
        mended = whole + "\N{REPLACEMENT CHARACTER}".encode()
        return Decoded(mended, "utf-8", f"{fault}: the file ends in the middle of a character")
    try:
        text = _as_utf8(data, fallback, 0)
    except Unreadable as second:
        raise Unreadable(f"{fault} and {second}; declare the encoding in a layout") from second
    return Decoded(text, fallback, f"{fault}; the file was read as {fallback}")


def _as_utf8(data: bytes, encoding: str, skipped: int) -> bytes:
    """Recode; ``skipped`` bytes came before ``data`` in the file."""
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        raise Unreadable(_place(data, error, encoding, skipped)) from error
    except LookupError as error:
        raise Unreadable(f'the encoding "{encoding}" is not known; correct it in the layout') from error
    if "\0" in text:
        raise Unreadable("it holds NUL characters and is not a text file")
    return text.encode()


def _place(data: bytes, error: UnicodeDecodeError, encoding: str, skipped: int) -> str:
    """Say where the byte is that ``encoding`` does not allow."""
    before = data[: error.start].decode(encoding, errors="replace")
    line = before.replace("\r\n", "\n").replace("\r", "\n").count("\n") + 1
    offset = error.start + skipped
    return f"byte 0x{data[error.start]:02X} at offset {offset} (line {line}) is not {encoding}"


def _refuse_binary(data: bytes) -> None:
    """Refuse what is no text, in words a person can act on."""
    for mark, kind in _OTHER_KINDS:
        if data.startswith(mark):
            raise Unreadable(f"it is {kind}; export the table as CSV or as a spreadsheet")
    beginning = data[:_SAMPLE].lstrip().lower()
    for mark, kind in _MARKED_UP:
        if beginning.startswith(mark):
            raise Unreadable(f"it is {kind}; open it in a spreadsheet program and save it as a workbook")
    sample = data[:_SAMPLE]
    controls = len(sample) - len(sample.translate(None, _CONTROL))
    if controls > max(_MAX_CONTROL_SHARE * len(sample), _FEW_CONTROLS):
        raise Unreadable(f"{controls} of its first {len(sample)} bytes are control characters: not a text file")
