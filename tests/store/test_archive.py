"""The archive keeps input files byte for byte."""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

import pytest

from pipeline.errors import KettlestoneError
from pipeline.store import archive

if TYPE_CHECKING:
    from pathlib import Path

# FIPS 180-4, SHA-256 of "abc".
_ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.source("FIPS180-4")
def test_a_file_lies_under_its_hash(tmp_path: Path) -> None:
    kept = archive.keep(tmp_path / "s.duckdb", _ABC, b"abc")

    assert kept == tmp_path / "archive" / "ba" / _ABC
    assert kept.read_bytes() == b"abc"
    assert [entry.name for entry in kept.parent.iterdir()] == [_ABC]


def test_keeping_twice_changes_nothing(tmp_path: Path) -> None:
    first = archive.keep(tmp_path / "s.duckdb", _ABC, b"abc").stat()

    assert archive.keep(tmp_path / "s.duckdb", _ABC, b"abc").stat().st_mtime_ns == first.st_mtime_ns


def test_a_spoilt_file_is_repaired_by_keeping_it_again(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    kept = archive.keep(store, _ABC, b"abc")
    kept.chmod(0o644)
    kept.write_bytes(b"abd")

    archive.keep(store, _ABC, b"abc")

    assert kept.read_bytes() == b"abc"


@pytest.mark.parametrize("name", ["", "../../etc/passwd", _ABC.upper(), _ABC[:-1], "g" * 64])
def test_only_a_hash_is_ever_used_as_a_name(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="not a SHA-256"):
        archive.keep(tmp_path / "s.duckdb", name, b"abc")


def test_bytes_and_hash_must_belong_together(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="do not have"):
        archive.keep(tmp_path / "s.duckdb", hashlib.sha256(b"x").hexdigest(), b"abc")

    assert not (tmp_path / "archive").exists()


def test_a_write_that_fails_leaves_no_half_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_number: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)

    with pytest.raises(KettlestoneError, match="no room left"):
        archive.keep(tmp_path / "s.duckdb", _ABC, b"abc")

    assert list((tmp_path / "archive" / "ba").iterdir()) == []
