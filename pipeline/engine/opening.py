"""Open the engine that a person names."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from pipeline.engine.engine import HERE
from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.engine.engine import Engine

_NOTHING: Final = "\n  Nothing was read and nothing was stored."


@contextmanager
def engine_at(address: str | None, shared: str | None, store: Path) -> Iterator[Engine]:
    """Open the engine that a person names.

    Parameters
    ----------
    address : `dask://HOST:PORT`; None: this process.
    shared : folder or fsspec URL through which parts go to and from the workers; None: the folder of the store.
    store : the store's file.

    Raises
    ------
    KettlestoneError : the address is none, the extra `cluster` is not installed, or the cluster cannot do the work.
    """
    if address is None:
        if shared:
            raise KettlestoneError(
                f"--shared is where the workers of an --engine leave parts; none is named.{_NOTHING}"
            )
        yield HERE
        return
    try:
        from pipeline.engine.cluster import open_cluster  # noqa: PLC0415 - half a second, and an extra
    except ImportError as error:
        raise KettlestoneError(
            f"--engine needs what is not installed here ({error}).{_NOTHING}\n"
            '  Install the extra "cluster": pip install "kettlestone[cluster]"'
        ) from error
    with open_cluster(address, shared or str(store.absolute().parent)) as engine:
        yield engine
