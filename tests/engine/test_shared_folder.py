"""What travels by way of a shared folder arrives as it was, and nothing stays there."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.engine import shared_folder
from pipeline.engine.shared_folder import SharedFolder, new_run
from pipeline.intake import prepare_intake
from pipeline.settings import Settings

if TYPE_CHECKING:
    from pipeline.gathering import Taken

SAMPLE_INPUTS = Path(__file__).parents[2] / "sample_inputs"


@pytest.fixture
def folder(tmp_path: Path) -> SharedFolder:
    return new_run(str(tmp_path / "shared"))


def frames_of(taken: Taken) -> list[pd.DataFrame]:
    files = [frame for one in taken.files for frame in (one.set_aside, one.notices, one.kept, *one.registers.values())]
    return files + [frame for one in taken.parts for frame in (one.rows, one.readings, one.set_aside, one.notices)]


def test_what_is_read_of_files_arrives_to_the_last_bit(
    folder: SharedFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every frame goes as Parquet here, and comes with its types, its categories in their order, and its index."""
    monkeypatch.setattr(shared_folder, "_FRAME_ROWS", 0)
    job = prepare_intake([SAMPLE_INPUTS], Settings(out=tmp_path, store=tmp_path / "kettlestone.duckdb"))

    for taken in job.taken():
        packed = folder.pack(taken)
        came = folder.unpack(packed.body)

        assert [one.source for one in came.files] == [one.source for one in taken.files]
        for found, expected in zip(frames_of(came), frames_of(taken), strict=True):
            pd.testing.assert_frame_equal(found, expected, check_exact=True)


def test_categories_keep_their_order_and_numbers_their_bits(folder: SharedFolder) -> None:
    texts = [f"text {number}" for number in range(70_000)]
    codes = np.random.default_rng(7).permutation(70_000)
    frame = pd.DataFrame(
        {
            "text": pd.Categorical.from_codes(codes, pd.Index(texts, dtype="str")),
            "number": np.resize([0.1, -0.0, np.nan, np.inf, 5e-324, -1e308], 70_000),
            "place": codes.astype("int32"),
        }
    )

    found = folder.unpack(folder.pack(frame).body)

    pd.testing.assert_frame_equal(found, frame, check_exact=True)
    assert found["number"].to_numpy().tobytes() == frame["number"].to_numpy().tobytes()
    assert found["text"].cat.categories.equals(frame["text"].cat.categories)


def test_one_thing_that_is_named_twice_stays_one(folder: SharedFolder) -> None:
    """A text file is told from an unpacked one by being the very bytes of the disk."""
    data = os.urandom(100_000)

    packed = folder.pack((data, data))
    one, other = folder.unpack(packed.body)

    assert one is other
    assert one == data
    assert len(packed.parts) == 1


def test_folders_of_runs_that_were_killed_are_removed(tmp_path: Path) -> None:
    """Those of a living process, and of one of another machine that may still live, stay."""
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    own, now = socket.gethostname(), pd.Timestamp.now("UTC")
    today, long_ago = (f"{time:%Y%m%dT%H%M%S}" for time in (now, now - pd.Timedelta(days=30)))
    stay = [f"{os.getpid()}-{today}-a1-{own}", f"{ended.pid}-{today}-b2-other-host"]
    go = [f"{ended.pid}-{today}-a1-{own}", f"{ended.pid}-{long_ago}-c3-other-host"]
    for name in stay + go:
        (tmp_path / f".kettlestone-parts-{name}").mkdir()
        (tmp_path / f".kettlestone-parts-{name}" / "part").write_bytes(b"part")

    new_run(str(tmp_path)).clear()

    assert {path.name for path in tmp_path.iterdir()} == {f".kettlestone-parts-{name}" for name in stay}
