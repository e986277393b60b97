"""Turn the bytes of a text file into UTF-8: byte order mark, UTF-8, then as its words or its layout tell."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
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
)
_END_OF_TEXT: Final = b"\x1a"  # old meters and loggers end their files with it
_CONTROL: Final = bytes({*range(0x20), 0x7F} - set(b"\t\n\r\f\x1a"))
_MAX_CONTROL_SHARE: Final = 0.01


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
    _refuse_binary(data)
    data = data.rstrip(_END_OF_TEXT)
    fault = _utf8_fault(data)
    return Decoded(data, "utf-8", "") if fault is None else _not_utf8(data, fault, fallback or likeliest(data))


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
    place = data.find(b"\0")
    if place >= 0:
        hint = "; it may be UTF-16: save it as UTF-8" if data[:1000].count(b"\0") > len(data[:1000]) // 3 else ""
        raise Unreadable(f"it holds a NUL byte at offset {place} and is not a text file{hint}")
    sample = data[: 1 << 16]
    controls = len(sample) - len(sample.translate(None, _CONTROL))
    if controls > _MAX_CONTROL_SHARE * len(sample):
        raise Unreadable(f"{controls} of its first {len(sample)} bytes are control characters: not a text file")
