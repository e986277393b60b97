"""Hand hostile formats to the process that reads them, within its limits of memory and time."""

from __future__ import annotations

import atexit
import io
import pickle
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pipeline.ingest import reader
from pipeline.ingest.reader import FAILED, LENGTH, READ, REFUSED, REQUEST, ROOM
from pipeline.ingest.unreadable import Unreadable

if TYPE_CHECKING:
    from pipeline.ingest.reader_limits import ReaderLimits


class ReaderFailureError(RuntimeError):
    """A reader failed in a way that no file should make it fail; holds the traceback of the other process."""


class _Reader:
    """The process that reads, started with the first file; after its death the next file gets a new one."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._memory_mb = 0
        self._one_at_a_time = threading.Lock()

    def read(self, kind: str, data: bytes, limits: ReaderLimits, pieces: io.BytesIO) -> tuple[str, Any]:
        """Send a file and wait for what it holds; the pieces of what is unpacked are collected."""
        with self._one_at_a_time:
            process = self._running(limits)
            late = threading.Event()
            timer = threading.Timer(limits.seconds, _kill, [process, late])
            timer.daemon = True
            timer.start()
            try:
                return _exchanged(process, kind, data, limits, pieces)
            except (BrokenPipeError, EOFError, TimeoutError) as error:
                self._end()
                if late.is_set() or isinstance(error, TimeoutError):
                    reason = f"reading it takes more than {limits.seconds:g} s (setting reader_seconds)"
                    raise Unreadable(f"{reason}; delete what is not needed", "file-too-large") from error
                raise Unreadable(f"{_too_much(limits)}, or it is damaged", "file-too-large") from error
            except BaseException:
                self._end()
                raise
            finally:
                timer.cancel()

    def close(self) -> None:
        """End the process."""
        with self._one_at_a_time:
            self._end()

    def _running(self, limits: ReaderLimits) -> subprocess.Popen[bytes]:
        if self._process is not None and (self._process.poll() is not None or self._memory_mb != limits.memory_mb):
            self._end()
        if self._process is None:
            command = [sys.executable, "-I", str(Path(reader.__file__)), str(limits.memory_mb)]
            self._process = subprocess.Popen(  # noqa: S603 - own code
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
            )
            self._memory_mb = limits.memory_mb
        return self._process

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            with suppress(OSError):
                if pipe is not None:
                    pipe.close()


_READER: Final = _Reader()
atexit.register(_READER.close)


def read_apart(kind: str, data: bytes, limits: ReaderLimits) -> Any:  # noqa: ANN401 - what the reader of the kind gives
    """Read a file in a process of its own.

    Parameters
    ----------
    kind : of ``reader.READERS``.
    data : the file.
    limits : what it may cost.

    Raises
    ------
    Unreadable : encrypted, damaged, or more than the limits allow.
    ReaderFailureError : the reader failed at it.
    """
    return _found(*_READER.read(kind, data, limits, io.BytesIO()), limits)


def unpack_apart(data: bytes, limits: ReaderLimits) -> bytes:
    """Unpack a gzip file in a process of its own; parameters and errors as of ``read_apart``."""
    pieces = io.BytesIO()
    _found(*_READER.read("gzip", data, limits, pieces), limits)
    return pieces.getvalue()


def _found(how: str, what: Any, limits: ReaderLimits) -> Any:  # noqa: ANN401 - what the reader of the kind gives
    if how == READ:
        return what
    if how == REFUSED:
        raise Unreadable(*what)
    if how == ROOM:
        raise Unreadable(_too_much(limits), "file-too-large")
    if how == FAILED:
        raise ReaderFailureError(f"{str(what).strip().splitlines()[-1]}\n{what}")
    raise ReaderFailureError(how)


def _too_much(limits: ReaderLimits) -> str:
    return f"reading it takes more than {limits.memory_mb} MB (setting reader_memory_mb); delete what is not needed"


def _kill(process: subprocess.Popen[bytes], late: threading.Event) -> None:
    late.set()
    process.kill()


def _exchanged(
    process: subprocess.Popen[bytes], kind: str, data: bytes, limits: ReaderLimits, pieces: io.BytesIO
) -> tuple[str, Any]:
    started = time.monotonic()
    if process.stdin is None or process.stdout is None:
        raise BrokenPipeError
    asked = pickle.dumps((kind, limits))
    process.stdin.write(REQUEST.pack(len(asked), len(data)) + asked)
    process.stdin.write(data)
    process.stdin.flush()
    while size := LENGTH.unpack(_exactly(process, LENGTH.size))[0]:
        pieces.write(_exactly(process, size))
    [size] = LENGTH.unpack(_exactly(process, LENGTH.size))
    found: tuple[str, Any] = pickle.loads(_exactly(process, size))  # noqa: S301 - written by our own process
    if time.monotonic() - started > limits.seconds:
        raise TimeoutError
    return found


def _exactly(process: subprocess.Popen[bytes], size: int) -> bytes:
    """Read so many bytes of an answer; fewer come only from a process that died."""
    if process.stdout is None or len(found := process.stdout.read(size)) < size:
        raise EOFError
    return found
