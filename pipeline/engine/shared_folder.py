"""Parts of work in a folder that all machines see: frames as Parquet, files as they are."""

from __future__ import annotations

import io
import os
import pickle
import socket
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from fsspec.core import url_to_fs

from pipeline.leftovers import process_has_ended

if TYPE_CHECKING:
    from collections.abc import Iterable

_FRAME_ROWS: Final = 1_000  # a shorter frame travels with the message
_LONG_BYTES: Final = 65_536  # so do fewer bytes
_ALL_TEXTS: Final = 1 << 30  # bytes of the texts of a column of few: however many there are, they keep their order
_NAME: Final = ".kettlestone-parts-"
_STAMP: Final = "%Y%m%dT%H%M%S"
_LONGEST_RUN: Final = timedelta(days=7)  # whether a run of another machine still lives cannot be asked


class Packed(NamedTuple):
    """What travels: a pickle, and the names of the parts that it refers to."""

    body: bytes
    parts: tuple[str, ...]


@dataclass(frozen=True)
class SharedFolder:
    """The folder of one run.

    Nothing in it is ever executed: it holds Parquet and the bytes of input files. Pickles go through the connections
    of the cluster alone.

    Attributes
    ----------
    url : a path, or an address that fsspec can open.
    """

    url: str

    @cached_property
    def _place(self) -> tuple[Any, str]:
        return url_to_fs(self.url)  # type: ignore[no-any-return]

    def make(self) -> None:
        """Make the folder; where folders are only parts of names this does nothing."""
        files, path = self._place
        files.makedirs(path, exist_ok=True)

    def write(self, data: bytes, name: str = "") -> str:
        """Write one part and give its name."""
        files, path = self._place
        name = name or uuid.uuid4().hex
        files.pipe_file(f"{path}/{name}", data)
        return name

    def read(self, name: str) -> bytes:
        """Read one part."""
        files, path = self._place
        return bytes(files.cat_file(f"{path}/{name}"))

    def remove(self, names: Iterable[str]) -> None:
        """Remove parts that are no longer needed."""
        files, path = self._place
        for name in names:
            files.rm_file(f"{path}/{name}")

    def clear(self) -> None:
        """Remove the folder with all that is in it."""
        files, path = self._place
        if files.exists(path):
            files.rm(path, recursive=True)

    def pack(self, thing: object) -> Packed:
        """Make something ready to travel: its long frames and long bytes become parts."""
        body = io.BytesIO()
        packer = _Packer(body, self)
        packer.dump(thing)
        return Packed(body.getvalue(), tuple(name for _, name in packer.written.values()))

    def unpack(self, body: bytes) -> Any:  # noqa: ANN401 - whatever was packed
        """Give what was packed, the same to the last bit."""
        return _Unpacker(io.BytesIO(body), self).load()


class _Packer(pickle.Pickler):
    def __init__(self, body: io.BytesIO, folder: SharedFolder) -> None:
        super().__init__(body, protocol=pickle.HIGHEST_PROTOCOL)
        self._folder = folder
        self.written: dict[int, tuple[object, str]] = {}  # the thing itself keeps its number from being used again

    def persistent_id(self, thing: object) -> tuple[str, str] | None:
        if isinstance(thing, pd.DataFrame) and len(thing) >= _FRAME_ROWS:
            return "frame", self._name_of(thing, lambda: _parquet(thing))
        if isinstance(thing, bytes) and len(thing) >= _LONG_BYTES:
            return "bytes", self._name_of(thing, lambda: thing)
        return None

    def _name_of(self, thing: object, data: Any) -> str:  # noqa: ANN401 - a function that gives its bytes
        if id(thing) not in self.written:
            self.written[id(thing)] = thing, self._folder.write(data())
        return self.written[id(thing)][1]


class _Unpacker(pickle.Unpickler):
    def __init__(self, body: io.BytesIO, folder: SharedFolder) -> None:
        super().__init__(body)
        self._folder = folder
        self._read: dict[str, Any] = {}

    def persistent_load(self, part: tuple[str, str]) -> Any:  # noqa: ANN401 - a frame or bytes
        kind, name = part
        if name not in self._read:
            data = self._folder.read(name)
            self._read[name] = _frame(data) if kind == "frame" else data
        return self._read[name]


def _parquet(frame: pd.DataFrame) -> bytes:
    sink = pa.BufferOutputStream()
    table = pa.Table.from_pandas(frame)
    pq.write_table(
        table, sink, compression="lz4", row_group_size=max(len(frame), 1), dictionary_pagesize_limit=_ALL_TEXTS
    )
    return bytes(sink.getvalue())


def _frame(data: bytes) -> pd.DataFrame:
    frame: pd.DataFrame = pq.read_table(pa.BufferReader(data)).to_pandas()
    return frame


def new_run(shared: str) -> SharedFolder:
    """Make the folder of this run within a shared one, and remove those of runs that have ended without it.

    Raises
    ------
    OSError, ImportError, ValueError : there is no such folder, it may not be written, or nothing opens its address.
    """
    files, path = url_to_fs(shared)
    if files.exists(path):
        for left in files.ls(path, detail=False):
            if _is_left_over(str(left).rstrip("/").rpartition("/")[2]):
                files.rm(left, recursive=True)
    own = f"{_NAME}{os.getpid()}-{datetime.now(UTC):{_STAMP}}-{uuid.uuid4().hex[:8]}-{socket.gethostname()}"
    folder = SharedFolder(f"{shared.rstrip('/')}/{own}")
    folder.make()
    return folder


def _is_left_over(name: str) -> bool:
    """Tell the folder of a run that has ended."""
    if not name.startswith(_NAME):
        return False
    try:
        process, began, _, host = name.removeprefix(_NAME).split("-", 3)
        since = datetime.now(UTC) - datetime.strptime(began, _STAMP).replace(tzinfo=UTC)
    except ValueError:
        return False
    mine = host == socket.gethostname() and process_has_ended(int(process))
    return bool(mine) or since > _LONGEST_RUN
