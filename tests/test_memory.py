"""How the process deals with memory it no longer needs."""

from __future__ import annotations

import subprocess
import sys

_ASKS = """
import ctypes, resource
import numpy as np
import pyarrow as pa
from pipeline.memory import keep_freed

def faults():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(20):
        np.ones(3_000_000)
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

keep_freed()
faults()
print(pa.default_memory_pool().backend_name, hasattr(ctypes.CDLL(None), "mallopt"), faults())
"""

_GIVES = """
import ctypes
import numpy as np
from pathlib import Path
from pipeline.memory import give_back, keep_freed

def resident():
    statm = Path("/proc/self/statm")
    return int(statm.read_text().split()[1]) if statm.exists() else 0

keep_freed()
blocks = [np.ones(3_000_000) for _ in range(10)]
blocks.clear()
before = resident()
give_back()
print(hasattr(ctypes.CDLL(None), "malloc_trim"), before - resident())
"""


def test_a_block_that_was_freed_is_used_again_without_being_wiped() -> None:
    """Twenty blocks of 24 MB one after the other need 5,859 pages of 4 KB once, not twenty times."""
    answer = subprocess.run([sys.executable, "-c", _ASKS], capture_output=True, text=True, check=True)  # noqa: S603

    pool, settable, faults = answer.stdout.split()
    assert pool == "system"
    assert settable == "False" or int(faults) < 5_859


def test_what_is_free_is_given_back_when_asked_for() -> None:
    """Ten blocks of 24 MB that stayed with the process are 58,594 pages of 4 KB."""
    answer = subprocess.run([sys.executable, "-c", _GIVES], capture_output=True, text=True, check=True)  # noqa: S603

    settable, pages = answer.stdout.split()
    assert settable == "False" or int(pages) > 50_000
