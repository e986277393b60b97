"""Finding and reading files: whole, unchanged, or refused with the reason."""

from __future__ import annotations

import gzip
import os
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest.reading import discover, grids, read_content
from pipeline.ingest.unreadable import Unreadable
from pipeline.problems import KettlestoneError

LIMIT = 1_000_000


def write(path: Path, data: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


@pytest.mark.source("FIPS180-4")
def test_a_file_is_read_byte_for_byte_with_its_sha256(tmp_path: Path) -> None:
    """The SHA-256 of "abc" is the standard's own example."""
    content = read_content(write(tmp_path / "a.csv", b"abc"), max_bytes=LIMIT)

    assert content.data == content.unpacked == b"abc"
    assert content.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (content.name, content.size) == ("a.csv", 3)


@pytest.mark.parametrize("name", ["kit.csv.gz", "kit.csv"])
def test_a_gzip_file_of_several_members_is_unpacked_whatever_its_name(tmp_path: Path, name: str) -> None:
    packed = gzip.compress(b"site,ph\n", mtime=0) + gzip.compress(b"Bar,7.1\n", mtime=0)

    content = read_content(write(tmp_path / name, packed), max_bytes=LIMIT)

    assert content.data == packed
    assert content.unpacked == b"site,ph\nBar,7.1\n"


PACKED = gzip.compress(np.random.default_rng(1).bytes(900), mtime=0)


@pytest.mark.parametrize(
    ("data", "reason", "code"),
    [
        (b"", "0 bytes", "file-empty"),
        (b"x" * 1001, "1,001 bytes; 1,000 are allowed", "file-too-large"),
        (PACKED[:500], "cut off", "file-unreadable"),
        (PACKED[:100] + b"!!!!" + PACKED[104:], "damaged", "file-unreadable"),
        (b"\x1f\x8b\x07" + PACKED[3:500], "damaged", "file-unreadable"),
        (gzip.compress(b"0" * 5000, mtime=0), "unpacked", "file-too-large"),
        (gzip.compress(b"", mtime=0), "holds nothing", "file-empty"),
    ],
)
def test_a_file_that_is_not_whole_is_refused(tmp_path: Path, data: bytes, reason: str, code: str) -> None:
    with pytest.raises(Unreadable, match=reason) as caught:
        read_content(write(tmp_path / "a.csv", data), max_bytes=1000)
    assert caught.value.code == code


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")

    for path, reason in [
        (tmp_path / "gone.csv", "not there any more"),
        (tmp_path, "is a folder"),
        (tmp_path / "pipe.csv", "not a file"),
    ]:
        with pytest.raises(Unreadable, match=reason):
            read_content(path, max_bytes=LIMIT)


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (PermissionError(13, "Permission denied"), "this user may not read it"),
        (OSError(5, "Input/output error"), "the system says: Input/output error"),
    ],
)
def test_a_refusal_of_the_system_is_said_plainly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, reason: str
) -> None:
    path = write(tmp_path / "a.csv", b"abc")

    def refuse(_: Path) -> bytes:
        raise error

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(Unreadable, match=reason):
        read_content(path, max_bytes=LIMIT)


@pytest.mark.parametrize("data", [b"abcdef", b"xyz"])
def test_a_file_that_changes_while_it_is_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, data: bytes
) -> None:
    """Also when its size stays the same."""
    path = write(tmp_path / "a.csv", b"abc")
    os.utime(path, ns=(1, 1))

    def grow(changing: Path) -> bytes:
        changing.write_bytes(data)
        return b"abc"

    monkeypatch.setattr(Path, "read_bytes", grow)
    with pytest.raises(Unreadable, match="still being written"):
        read_content(path, max_bytes=LIMIT)


def test_a_folder_is_searched_in_order_without_hidden_and_lock_files(tmp_path: Path) -> None:
    for name in [
        "b.csv",
        "a/2.XLSX",
        "a/1.csv.gz",
        "a/~$2.xlsx",
        ".hidden.csv",
        ".git/x.csv",
        "a/photo.jpg",
    ]:
        write(tmp_path / name, b"x")

    found = discover([tmp_path])

    assert [str(path.relative_to(tmp_path)) for path in found.files] == ["a/1.csv.gz", "a/2.XLSX", "b.csv"]
    assert found.ignored == [tmp_path / "a/photo.jpg"]


def test_a_folder_that_may_not_be_opened_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = write(tmp_path / "a.csv", b"x")
    write(tmp_path / "closed/b.csv", b"x")
    scan = os.scandir

    def refuse(folder: str) -> object:
        if str(folder).endswith("closed"):
            raise PermissionError(13, "Permission denied", folder)
        return scan(folder)

    monkeypatch.setattr(os, "scandir", refuse)
    found = discover([tmp_path])

    assert found.files == [file]
    assert found.ignored == [tmp_path / "closed"]


def test_what_an_intake_wrote_is_not_read_again(tmp_path: Path) -> None:
    file = write(tmp_path / "a.csv", b"x")
    for name in ("summary.json", "summary.html", "samples.csv", "findings.csv", "explanations.csv"):
        write(tmp_path / "outputs/batch" / name, b"x")
    for name in ("kettlestone.duckdb", "archive/kettlestone.duckdb.journal", "archive/ab/abcd"):
        write(tmp_path / "outputs" / name, b"x")
    own = write(tmp_path / "archive/samples.csv", b"x")

    found = discover([tmp_path])

    assert found.files == [file, own]
    assert found.ignored == []


def test_a_loop_of_links_ends_and_each_file_comes_once(tmp_path: Path) -> None:
    file = write(tmp_path / "a/1.csv", b"x")
    (tmp_path / "a/loop").symlink_to(tmp_path)
    (tmp_path / "again.csv").symlink_to(file)

    found = discover([tmp_path, file])

    assert len(found.files) == 1


def test_a_file_named_directly_is_tried_whatever_its_name(tmp_path: Path) -> None:
    file = write(tmp_path / "export.dat", b"x")

    assert discover([file]).files == [file]


def test_a_missing_path_and_a_folder_without_files_are_said(tmp_path: Path) -> None:
    write(tmp_path / "only/photo.jpg", b"x")

    with pytest.raises(KettlestoneError, match=r"gone: there is no such file or folder\. Nothing was imported"):
        discover([tmp_path / "gone"])
    with pytest.raises(KettlestoneError, match="holds no file that can be read"):
        discover([tmp_path / "only"])


def test_a_text_file_becomes_one_grid_with_the_encoding_noted(tmp_path: Path) -> None:
    """CR-only line ends and a Latin-1 micro sign, as a real file has them."""
    content = read_content(write(tmp_path / "a.csv", b"site;EC \xb5S/cm\rBar;540\r"), max_bytes=LIMIT)

    (grid,) = grids(content)

    assert [grid.row(0), grid.row(1)] == [["site", "EC µS/cm"], ["Bar", "540"]]
    assert grid.notices[["file_sha256", "problem"]].to_numpy().tolist() == [[content.sha256, "encoding-fallback"]]
    assert grid.encoding == "cp1252"
    assert grids(content, "latin-1")[0].encoding == "latin-1"


def test_a_file_of_blanks_is_empty(tmp_path: Path) -> None:
    with pytest.raises(Unreadable, match="nothing but blanks"):
        grids(read_content(write(tmp_path / "a.csv", b" \r\n \n"), max_bytes=LIMIT))
