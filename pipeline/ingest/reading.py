"""Find the input files and read them whole: byte for byte, checked, and taken apart into grids."""

from __future__ import annotations

import hashlib
import os
import stat
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.file_names import legible
from pipeline.ingest import spreadsheet
from pipeline.ingest.apart import unpack_apart
from pipeline.ingest.decoding import decode
from pipeline.ingest.delimited import split
from pipeline.ingest.pdf import document
from pipeline.ingest.reader_limits import ReaderLimits
from pipeline.ingest.unreadable import Unreadable
from pipeline.problems import KettlestoneError, problem_frame

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from pipeline.ingest.grid import Grid

__all__ = [
    "ACCEPTED",
    "STANDARD_INPUT",
    "STANDARD_INPUT_NAME",
    "Discovered",
    "FileContent",
    "discover",
    "grids",
    "is_text",
    "read_content",
    "read_standard_input",
]

ACCEPTED: Final = (
    *(".csv", ".tsv", ".txt", ".tab", ".csv.gz", ".tsv.gz", ".txt.gz"),
    *(".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".pdf"),
)
STANDARD_INPUT: Final = Path("-")
STANDARD_INPUT_NAME: Final = "standard input"
_OF_A_BATCH: Final = frozenset({"summary.json", "summary.html", "samples.csv", "findings.csv"})
_ARCHIVE: Final = "archive"
_COLUMN_BYTES: Final = 1024  # of text, of a line all of whose columns are full
_GZIP: Final = b"\x1f\x8b"
_USUAL_LIMITS: Final = ReaderLimits()


@dataclass(frozen=True)
class Discovered:
    """Files to read; and what folders also hold: other kinds of files, folders that may not be opened."""

    files: list[Path]
    ignored: list[Path]


@dataclass(frozen=True)
class FileContent:
    """One file as it was on disk.

    Attributes
    ----------
    name : its name without folders, legible.
    data : its bytes as on disk; what is archived.
    sha256 : of ``data``.
    size : bytes on disk.
    unpacked : ``data``, or what it holds if it is a gzip file.
    """

    name: str
    data: bytes
    sha256: str
    size: int
    unpacked: bytes


def discover(paths: Iterable[Path]) -> Discovered:
    """List the files to read: files as named, folders with everything below them, each file once; "-" stays "-".

    Hidden files, lock files of an office program (``~$…``) and what an intake wrote (folders of batches, a store with
    its archive) are passed over: whoever imports a folder again means what was put there.

    Raises
    ------
    KettlestoneError : a path does not exist, or a folder holds nothing that can be read.
    """
    files: dict[str, Path] = {}
    ignored: list[Path] = []
    for path in paths:
        if path == STANDARD_INPUT:
            files[str(path)] = path
            continue
        if not path.exists():
            raise KettlestoneError(f"{legible(path)}: there is no such file or folder. Nothing was imported.")
        found = [path]
        if path.is_dir():
            everything = sorted(_below(path, ignored))
            found = [file for file in everything if file.name.lower().endswith(ACCEPTED)]
            ignored += [file for file in everything if not file.name.lower().endswith(ACCEPTED)]
            if not found:
                raise KettlestoneError(
                    f"{legible(path)}: the folder holds no file that can be read ({' '.join(ACCEPTED)}). "
                    "Nothing was imported."
                )
        for file in found:
            files.setdefault(os.path.realpath(file), file)
    return Discovered(list(files.values()), ignored)


def _below(folder: Path, closed: list[Path]) -> Iterator[Path]:
    """Walk a folder and the folders in it, linked ones too, each once; note those that may not be opened."""
    seen: set[str] = set()

    def refused(error: OSError) -> None:
        closed.append(Path(error.filename))

    for name, folders, files in os.walk(folder, onerror=refused, followlinks=True):
        folders[:] = sorted(one for one in folders if not one.startswith("."))
        place = os.path.realpath(name)
        if place in seen:
            folders.clear()
            continue
        seen.add(place)
        if set(files) >= _OF_A_BATCH:
            folders.clear()
            continue
        stores = {file for file in files if Path(name, _ARCHIVE, f"{file}.journal").exists()}
        folders[:] = [one for one in folders if not (stores and one == _ARCHIVE)]
        yield from (Path(name, file) for file in files if not file.startswith((".", "~$")) and file not in stores)


def read_content(path: Path, *, max_bytes: int, limits: ReaderLimits | None = None) -> FileContent:
    """Read a file whole, and make sure it is whole.

    Parameters
    ----------
    path : the file; a gzip file is unpacked, whatever its name.
    max_bytes : a larger file is refused, packed or unpacked.
    limits : what unpacking may cost.

    Raises
    ------
    Unreadable : empty, too large, not a file, no permission, cut off, damaged, or still being written.
    """
    try:
        before = path.stat()
        _refuse(before, max_bytes)
        data = path.read_bytes()
        after = path.stat()
    except FileNotFoundError as error:
        raise Unreadable("it is not there any more") from error
    except PermissionError as error:
        raise Unreadable("this user may not read it") from error
    except OSError as error:
        raise Unreadable(f"the system says: {error.strerror or error}") from error
    if not len(data) == before.st_size == after.st_size or before.st_mtime_ns != after.st_mtime_ns:
        raise Unreadable("it is still being written; import it again when it is complete")
    return _whole(legible(path.name), data, limits or ReaderLimits(unpacked_bytes=max_bytes))


def read_standard_input(*, max_bytes: int, limits: ReaderLimits | None = None) -> FileContent:
    """Read what is piped into the program whole, as a file called "standard input".

    Parameters
    ----------
    max_bytes : more is refused, packed or unpacked.
    limits : what unpacking may cost.

    Raises
    ------
    Unreadable : nothing comes, too much, or a gzip file that is damaged.
    """
    data = sys.stdin.buffer.read(max_bytes + 1)
    if not data:
        raise Unreadable("it is empty (0 bytes)", "file-empty")
    if len(data) > max_bytes:
        raise Unreadable(f"it has more than the {max_bytes:,} bytes that are allowed", "file-too-large")
    return _whole(STANDARD_INPUT_NAME, data, limits or ReaderLimits(unpacked_bytes=max_bytes))


def _whole(name: str, data: bytes, limits: ReaderLimits) -> FileContent:
    unpacked = unpack_apart(data, limits) if data.startswith(_GZIP) else data
    return FileContent(name, data, hashlib.sha256(data).hexdigest(), len(data), unpacked)


def _refuse(status: os.stat_result, max_bytes: int) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise Unreadable("it is a folder")
    if not stat.S_ISREG(status.st_mode):
        raise Unreadable("it is a device or a pipe, not a file")
    if not status.st_size:
        raise Unreadable("it is empty (0 bytes)", "file-empty")
    if status.st_size > max_bytes:
        raise Unreadable(_too_large(status.st_size, max_bytes), "file-too-large")


def _too_large(size: int, max_bytes: int) -> str:
    return f"the file has {size:,} bytes; {max_bytes:,} are allowed"


def grids(
    content: FileContent, fallback_encoding: str | None = None, limits: ReaderLimits = _USUAL_LIMITS
) -> list[Grid]:
    """Take a file apart: one grid for a text file, one for each sheet with content of a workbook.

    What a file is is told by its first bytes, not by its name.

    Parameters
    ----------
    content : a file as ``read_content`` gives it.
    fallback_encoding : of text that is not UTF-8, noted when it is used; None: the one in which its words are known.
    limits : what reading it may cost.

    Raises
    ------
    Unreadable : neither text nor a workbook, damaged, encrypted, or without any cell.
    """
    if spreadsheet.is_workbook(content.unpacked):
        found = spreadsheet.sheets(content.unpacked, limits)
    elif document.is_pdf(content.unpacked):
        found = document.pages(content.unpacked, limits)
    else:
        found = [_text_grid(content.unpacked, fallback_encoding, limits)]
    for grid in found:
        _refuse_wide(grid, limits)
    return [
        replace(grid, notices=grid.notices.assign(file_sha256=content.sha256).astype({"file_sha256": "str"}))
        if len(grid.notices)
        else grid
        for grid in found
    ]


def is_text(content: FileContent) -> bool:
    """Tell a text file that is not packed from workbooks and documents, by its first bytes."""
    packed = content.unpacked is not content.data
    return not (packed or spreadsheet.is_workbook(content.unpacked) or document.is_pdf(content.unpacked))


def _text_grid(data: bytes, fallback_encoding: str | None, limits: ReaderLimits) -> Grid:
    _refuse_endless(data, limits)
    decoded = decode(data, fallback_encoding)
    if not decoded.text_bytes or decoded.text_bytes.isspace():
        raise Unreadable("it holds nothing but blanks and line ends", "file-empty")
    grid = replace(split(decoded.text_bytes), encoding=decoded.encoding)
    if not decoded.notice:
        return grid
    notice = problem_frame("encoding-fallback", file_sha256="", line=1, column="", raw_text="", detail=decoded.notice)
    return replace(grid, notices=pd.concat([notice, grid.notices], ignore_index=True))


def _refuse_endless(data: bytes, limits: ReaderLimits) -> None:
    """Refuse a line longer than all the columns of a table together: taking it apart costs many times its length."""
    longest, start = limits.columns * _COLUMN_BYTES, 0
    while len(data) - start > longest:
        stop = start + longest
        end = max(data.rfind(b"\n", start, stop), data.rfind(b"\r", start, stop))
        if end < 0:
            line = max(data.count(b"\n", 0, start), data.count(b"\r", 0, start)) + 1
            size = (min(one for one in (data.find(b"\n", stop), data.find(b"\r", stop), len(data)) if one >= 0)) - start
            raise Unreadable(
                f"line {line} has {size:,} bytes; {longest:,} are allowed, {_COLUMN_BYTES:,} for each of "
                f"{limits.columns:,} columns (setting reader_columns)",
                "file-too-large",
            )
        start = end + 1


def _refuse_wide(grid: Grid, limits: ReaderLimits) -> None:
    """Refuse a table of more columns than any sheet has."""
    if len(grid) and (widest := int(grid.count.max())) > limits.columns:
        line = int(grid.line[int(grid.count.argmax())])
        raise Unreadable(
            f"line {line} has {widest:,} columns; {limits.columns:,} are allowed (setting reader_columns)",
            "file-too-large",
        )
