"""How the process deals with memory it no longer needs: it keeps it until it ends.

A long table goes through some hundred columns of megabytes, each needed for a moment. As set up, the C
library gives such a block back to the system at once and asks for the next one, and the system wipes every
page of it again: a fifth of the time of a large intake.
"""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING, Final

import pyarrow as pa

if TYPE_CHECKING:
    from collections.abc import Callable

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
    if mallopt := _of_c_library("mallopt"):
        mallopt(_MMAP_THRESHOLD, _NEVER)
        mallopt(_TRIM_THRESHOLD, _NEVER)
        mallopt(_ARENA_MAX, 1)


def give_back() -> None:
    """Give the system what is free now; for a moment after which far less is needed, or blocks of another size."""
    if malloc_trim := _of_c_library("malloc_trim"):
        malloc_trim(0)


def _of_c_library(name: str) -> Callable[..., int] | None:
    """Find a function of the C library; None where it is not GNU's."""
    try:
        found: Callable[..., int] = getattr(ctypes.CDLL(None), name)
    except (AttributeError, OSError, TypeError):  # no such setting; on Windows the process itself is no library
        return None
    return found
