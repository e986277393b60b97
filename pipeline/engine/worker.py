"""What a worker of a cluster runs."""

from __future__ import annotations

import pickle
import threading
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from pipeline.engine.shared_folder import Packed, SharedFolder

if TYPE_CHECKING:
    from collections.abc import Callable

# Threads of one process cost each other more than they gain here: a worker of several does one portion at a time.
_ONE_AT_A_TIME: Final = threading.Lock()


def do_portion(url: str, function: bytes, portion: bytes) -> Packed:
    """Do one portion of work.

    Parameters
    ----------
    url : of the folder of the run.
    function : pickled.
    portion : as ``SharedFolder.pack`` gives it.
    """
    folder = SharedFolder(url)
    with _ONE_AT_A_TIME:
        return folder.pack(_function(function)(folder.unpack(portion)))


@lru_cache(maxsize=4)
def _function(pickled: bytes) -> Callable[[Any], Any]:
    function: Callable[[Any], Any] = pickle.loads(pickled)  # noqa: S301 - by way of the cluster, from the run itself
    return function


def read_part(url: str, name: str) -> bytes:
    """Read a part, to tell whether this worker sees the folder of a run."""
    return SharedFolder(url).read(name)
