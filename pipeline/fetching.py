"""Files on their way in: their bytes are read, named by their hash, and kept in the archive before anything else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.file_names import legible
from pipeline.ingest.reading import (
    STANDARD_INPUT,
    STANDARD_INPUT_NAME,
    FileContent,
    read_content,
    read_standard_input,
)
from pipeline.store.archive import keep_all

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Sequence
    from pathlib import Path

    from pipeline.ingest.reader_limits import ReaderLimits

_NO_CONTENT = FileContent("", b"", "", 0, b"")


@dataclass(frozen=True)
class Fetched:
    """A file that is to be read.

    Attributes
    ----------
    name : as it was given, legible.
    content : its bytes.
    known : the store has it.
    failure : why there are no bytes: the file cannot be read, or the program failed at it.
    """

    name: str
    content: FileContent = _NO_CONTENT
    known: bool = False
    failure: Exception | None = None

    @property
    def source(self) -> dict[str, Any]:
        """Give how the ledger names the file."""
        return {"file_sha256": self.content.sha256, "name": self.name, "bytes": self.content.size}

    def readable(self) -> FileContent:
        """Give the bytes, or raise what is in the way of them."""
        if self.failure is not None:
            raise self.failure
        return self.content


def fetch(paths: Sequence[Path], store: Path, limits: ReaderLimits, already: Container[str] = ()) -> list[Fetched]:
    """Read files whole and archive their bytes.

    Parameters
    ----------
    paths : existing files, or "-" for standard input.
    store : the store's file; the archive lies beside it.
    limits : what reading a file may cost.
    already : SHA-256 of the files the store has.

    Raises
    ------
    KettlestoneError : the bytes cannot be kept.
    """
    return fetch_named([_place(path) for path in paths], store, limits, already)


def fetch_named(
    contents: Sequence[tuple[str, Callable[[ReaderLimits], FileContent]]],
    store: Path,
    limits: ReaderLimits,
    already: Container[str] = (),
) -> list[Fetched]:
    """Take the bytes of files, wherever they come from: name and a function that gives them; else as ``fetch``."""
    found = [_fetched(name, content_of, limits, already) for name, content_of in contents]
    fresh = [one.content for one in found if one.failure is None and not one.known]
    keep_all(store, {content.sha256: content.data for content in fresh})
    return found


def _fetched(
    name: str, content_of: Callable[[ReaderLimits], FileContent], limits: ReaderLimits, already: Container[str]
) -> Fetched:
    try:
        content = content_of(limits)
    except Exception as error:  # noqa: BLE001 - one file must not take the others along; it is told where it is read
        return Fetched(name, failure=error)
    return Fetched(name, content, known=content.sha256 in already)


def _place(path: Path) -> tuple[str, Callable[[ReaderLimits], FileContent]]:
    if path == STANDARD_INPUT:
        return STANDARD_INPUT_NAME, lambda limits: read_standard_input(max_bytes=limits.unpacked_bytes, limits=limits)
    return legible(path), lambda limits: read_content(path, max_bytes=limits.unpacked_bytes, limits=limits)
