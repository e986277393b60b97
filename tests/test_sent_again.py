"""The same readings sent again, in a file that is not the same: they are kept, and nothing changes."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.intake import run as take_in
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from pathlib import Path

HEADINGS = "Sample,Client,Site,Date,pH,Conductivity (µS/cm),Total hardness (mg/L as CaCO3),Alkalinity (mg/L as CaCO3)\n"
ROWS = (
    "A-1,Cafe One,S-1,2026-03-01,7.4,480,210,180\n",
    "A-2,Cafe Two,S-2,2026-03-02,7.5,460,200,170\n",
    "A-3,Cafe Three,S-3,2026-03-03,7.5,440,190,165\n",
)
FURTHER = "A-4,Cafe One,S-1,2026-03-09,7.4,500,220,185\n"
SENT = HEADINGS + "".join(ROWS)
AGAIN = {
    "another line end": SENT.replace("\n", "\r\n").encode(),
    "a byte order mark": b"\xef\xbb\xbf" + SENT.encode(),
    "another order": (HEADINGS + "".join(reversed(ROWS))).encode(),
    "a row more": (SENT + FURTHER).encode(),
    "written otherwise": SENT.replace("7.4,480", "7.40,480.0").encode(),
    "another separator": SENT.replace(",", ";").encode(),
}


def taken_in(folder: Path, *batches: dict[str, bytes]) -> list[dict[str, Any]]:
    """Take batches in one after the other and give their summaries."""
    told = []
    for number, files in enumerate(batches, start=len(list(folder.glob("inbox*")))):
        inbox = folder / f"inbox {number}"
        inbox.mkdir()
        for name, content in files.items():
            (inbox / name).write_bytes(content)
        settings = Settings(store=folder / "kettlestone.duckdb", out=folder / "out")
        told.append(take_in([inbox], settings).summary)
    return told


def counted(folder: Path) -> list[tuple[Any, ...]]:
    with Store(folder / "kettlestone.duckdb", read_only=True) as store:
        return store.connection.execute(
            "SELECT r.label, analyte, count(*), avg(value), any_value(s.verdict) FROM v_reading r "
            "JOIN v_sample s USING (sample_id) WHERE r.counts AND r.label <> 'A-4' GROUP BY ALL ORDER BY ALL"
        ).fetchall()


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a store to which the sheet was sent once."""
    folder = tmp_path_factory.mktemp("once")
    (first,) = taken_in(folder, {"sheet.csv": SENT.encode()})
    assert [row["problem"] for row in first["notices"]] == []
    return folder


@pytest.fixture(scope="module")
def once(sent: Path) -> list[tuple[Any, ...]]:
    """Give what counts where the sheet was sent once."""
    found = counted(sent)
    assert len(found) == 12
    return found


@pytest.fixture(scope="module")
def again(sent: Path, once: list[tuple[Any, ...]], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Send the sheet again in every way, in one batch; nothing that counts has changed. Give the summary."""
    folder = tmp_path_factory.mktemp("again")
    shutil.copytree(sent, folder, dirs_exist_ok=True)
    (second,) = taken_in(folder, {f"{how}.csv": content for how, content in AGAIN.items()})
    assert counted(folder) == once
    return second


@pytest.mark.parametrize("how", AGAIN)
def test_what_was_sent_again_counts_once_and_is_told_once(again: dict[str, Any], how: str) -> None:
    accepted = 16 if how == "a row more" else 12

    (file,) = [file for file in again["files"] if file["name"].endswith(f"/{how}.csv")]
    (notice,) = [
        row for row in again["notices"] if row["problem"] == "readings-repeated" and row["name"] == file["name"]
    ]
    assert f"12 of its {accepted} readings were there already" in notice["message"]
    assert file["accepted"] == accepted


def test_files_of_one_batch_that_say_the_same_count_once(tmp_path: Path, once: list[tuple[Any, ...]]) -> None:
    taken_in(tmp_path, {"a.csv": SENT.encode(), "b.csv": AGAIN["another order"]})

    assert counted(tmp_path) == once


def test_two_readings_of_one_file_and_of_two_meters_stay_two(tmp_path: Path) -> None:
    """A duplicate in one sheet is a duplicate determination; the same number from another meter is another reading."""
    twice = "Sample,Date,Instrument,Conductivity (µS/cm)\nB-1,2026-03-01,pen one,480\nB-1,2026-03-01,pen one,480\n"
    other = "Sample,Date,Instrument,Conductivity (µS/cm)\nB-1,2026-03-01,pen two,480\nB-1,2026-03-01,pen one,480\n"
    taken_in(tmp_path, {"twice.csv": twice.encode()}, {"other.csv": other.encode()})

    with Store(tmp_path / "kettlestone.duckdb", read_only=True) as store:
        found = store.connection.execute(
            "SELECT instrument, count(*) FROM v_reading WHERE counts GROUP BY ALL ORDER BY ALL"
        ).fetchall()
    assert found == [("pen one", 2), ("pen two", 1)]


def test_a_report_that_replaces_another_counts_with_all_it_says(tmp_path: Path) -> None:
    """What the later report leaves as it was is said by it, and by nobody else: it is no repeat."""
    headings = "Sample,Date,Report,Replaces report,Calcium (mg/L),Chloride (mg/L),Method\n"
    first = headings + "L-1,2026-03-01,R-1,,80,25,laboratory\n"
    later = headings + "L-1,2026-03-01,R-2,R-1,88,25,laboratory\n"
    taken_in(tmp_path, {"first.csv": first.encode()}, {"later.csv": later.encode()})

    with Store(tmp_path / "kettlestone.duckdb", read_only=True) as store:
        found = store.connection.execute(
            "SELECT analyte, value FROM v_reading WHERE counts ORDER BY analyte"
        ).fetchall()
    assert found == [("calcium", 88.0), ("chloride", 25.0)]
