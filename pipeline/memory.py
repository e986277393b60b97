"""How the process deals with memory it no longer needs: it keeps it until it ends.

A long table goes through some hundred columns of megabytes, each needed for a moment. As set up, the C
library gives such a block back to the system at once and asks for the next one, and the system wipes every
page of it again: a fifth of the time of a large intake.
"""

from __future__ import annotations

import ctypes
from typing import Final

import pyarrow as pa

# Settings of mallopt(3), GNU C library, <malloc.h>.
_TRIM_THRESHOLD: Final = -1
_MMAP_THRESHOLD: Final = -3
_ARENA_MAX: Final = -8
_NEVER: Final = 1 << 30  # bytes; a larger block is given back all the same


def keep_freed() -> None:
    """Let blocks that were freed be used again, in one pool for Arrow, numpy and all threads.

    Where the C library is not GNU's, only Arrow's blocks join the pool.
    """
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # no such setting; on Windows the process itself is no library
        return
    else:
        mallopt(_MMAP_THRESHOLD, _NEVER)
        mallopt(_TRIM_THRESHOLD, _NEVER)
        mallopt(_ARENA_MAX, 1)
