"""Killing the writer at any moment leaves every batch whole or absent."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import building
import pytest

from pipeline.store.database import Store

_KILLS = 50
_READINGS = 20_000

# Forks writers that are killed: one warm process, so that the seconds of importing are spent once.
# A writer continues where the store ends and announces each batch it has stored.
_NURSERY = """
import os, random, signal, sys, time
from pathlib import Path
path, builders, size, kills = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
sys.path.insert(0, builders)
import building
from pipeline.store.archive import keep
from pipeline.store.database import Store
from pipeline.store.files import known_files

rows = building.readings([("s1", "calcium", 1.0)]).iloc[[0] * size].reset_index(drop=True)

def write(path, batches):
    with Store(path) as store:
        first = len(known_files(store))
    for number in range(first, first + batches):
        file = f"{number}.csv"
        keep(path, building.sha(file), file.encode())
        record = building.batch(
            f"b{number:05}", file,
            samples=building.samples([{"sample_id": "s1", "label": file}], file),
            readings=rows.assign(file_sha256=building.sha(file)),
            findings=building.findings([{"sample_id": "s1", "reading_ids": "-1"}]),
        )
        with Store(path) as store:
            building.write(store, record)
        os.write(1, f"{number}\\n".encode())

def child(path, batches):
    pid = os.fork()
    if pid == 0:
        write(path, batches)
        os._exit(0)
    return pid

started = time.monotonic()
os.waitpid(child(path.with_name("warm.duckdb"), 2), 0)
usual = (time.monotonic() - started) / 2
os.write(1, b"---\\n")
chance = random.Random(20260305)
for _ in range(kills):
    pid = child(path, 1000)
    time.sleep(chance.uniform(0.0, 1.5 * usual))
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
"""


@pytest.mark.slow
def test_a_batch_is_whole_or_absent_after_a_kill_at_any_moment(tmp_path: Path) -> None:
    """50 kills at random moments, from creating the store to closing it; each rerun goes on."""
    path = tmp_path / "s.duckdb"
    folder = str(Path(building.__file__).parent)

    told = subprocess.run(  # noqa: S603 - own code
        [sys.executable, "-c", _NURSERY, str(path), folder, str(_READINGS), str(_KILLS)],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )

    acknowledged = max(map(int, told.stdout.partition("---")[2].split()))
    with Store(path) as store:
        torn = store.connection.execute(
            "SELECT batch_id FROM batch LEFT JOIN source_file USING (batch_id) LEFT JOIN "
            "(SELECT file_sha256, count(*) AS found FROM reading GROUP BY file_sha256) USING (file_sha256) "
            "LEFT JOIN (SELECT batch_id, count(*) AS findings FROM finding GROUP BY batch_id) "
            "USING (batch_id) "
            "WHERE found IS DISTINCT FROM entries_accepted OR findings IS DISTINCT FROM 1"
        ).fetchall()
        counted = store.connection.execute(
            "SELECT (SELECT count(*) FROM batch), (SELECT count(*) FROM reading), "
            "(SELECT count(DISTINCT reading_id) FROM reading), (SELECT count(*) FROM sample)"
        ).fetchone()

    assert torn == []
    assert acknowledged > 0
    assert counted is not None
    batches, readings, numbers, samples = counted
    assert batches >= acknowledged + 1
    assert (readings, numbers, samples) == (batches * _READINGS, batches * _READINGS, 1)
