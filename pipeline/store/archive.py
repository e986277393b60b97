"""Keep every input file byte for byte under its hash, beside the store."""

from __future__ import annotations

import hashlib
import os
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipeline.store import faults

if TYPE_CHECKING:
    from collections.abc import Mapping

_HEX: Final = frozenset("0123456789abcdef")
_SHA256_LENGTH: Final = 64
_AT_ONCE: Final = 16  # files that wait for the disk; its journal takes what comes at one time in one go


def place(store: Path, sha256: str) -> Path:
    """Return where a file with this hash is kept beside the store's file."""
    return place_in(store.parent / "archive", sha256)


def place_in(archive: Path, sha256: str) -> Path:
    """Return where a file with this hash is kept in an archive."""
    if len(sha256) != _SHA256_LENGTH or not _HEX.issuperset(sha256):
        raise ValueError(f"{sha256!r} is not a SHA-256 in small hexadecimal letters")
    return archive / sha256[:2] / sha256


def keep(store: Path, sha256: str, data: bytes) -> Path:
    """Archive the bytes of an input file; does nothing if they are there already.

    Called before the batch is written: a kill in between leaves at worst a file nothing refers to.

    Parameters
    ----------
    store : the store's file.
    sha256 : the hash of the input file, checked here.
    data : its bytes.

    Returns
    -------
    where the bytes are kept. The file appears complete or not at all.

    Raises
    ------
    KettlestoneError : no room or no permission.
    ValueError : the hash is not that of the bytes.
    """
    target = place(store, sha256)
    if hashlib.sha256(data).hexdigest() != sha256:
        raise ValueError(f"the bytes do not have the SHA-256 {sha256}")
    if target.exists() and hashlib.sha256(target.read_bytes()).hexdigest() == sha256:
        return target
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _write(target, data)
    except OSError as error:
        raise faults.fault_of(target, error) from error
    return target


def keep_all(store: Path, contents: Mapping[str, bytes]) -> None:
    """Archive the bytes of several input files as ``keep`` does: forced to disk side by side.

    Parameters
    ----------
    store : the store's file.
    contents : SHA-256 → bytes.
    """
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for kept in [pool.submit(keep, store, sha256, data) for sha256, data in contents.items()]:
            kept.result()


def _write(target: Path, data: bytes) -> None:
    """Write aside, force to disk, then rename: the name never stands for half a file."""
    number, name = tempfile.mkstemp(prefix=".part-", dir=target.parent)
    part = Path(name)
    try:
        with os.fdopen(number, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(0o444)
        if target.exists():
            target.chmod(0o644)  # Windows replaces no file that may only be read
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    sync_folder(target.parent)


def sync_folder(folder: Path) -> None:
    """Make the rename itself last; where the system opens no folder (Windows) it is not needed."""
    try:
        number = os.open(folder, os.O_RDONLY)
    except PermissionError:
        return
    try:
        os.fsync(number)
    finally:
        os.close(number)
