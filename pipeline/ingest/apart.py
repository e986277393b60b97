"""Hand workbooks to the process that reads them, within its limits of memory and time."""

from __future__ import annotations

import atexit
import pickle
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipeline.ingest import workbook_reader
from pipeline.ingest.decoding import Unreadable
from pipeline.ingest.workbook_reader import ANSWER, DAMAGED, PASSWORD, REQUEST, SPAN


@dataclass(frozen=True)
class ReaderLimits:
    """What reading one workbook may cost: memory [MiB], time [s], cells from the first to the last that is filled."""

    memory_mb: int = 2048
    seconds: float = 120.0
    cells: int = 25_000_000


@dataclass(frozen=True)
class SheetCells:
    """One sheet as it was read: values of Python, row by row; no rows of a sheet that is not shown."""

    name: str
    shown: bool
    rows: list[list[Any]]


class _Reader:
    """The process that reads, started with the first workbook; after its death the next workbook gets a new one."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._memory_mb = 0
        self._one_at_a_time = threading.Lock()

    def read(self, data: bytes, limits: ReaderLimits) -> workbook_reader.WorkbookAnswer:
        """Send a workbook and wait for what it holds."""
        with self._one_at_a_time:
            process = self._running(limits)
            late = threading.Event()
            timer = threading.Timer(limits.seconds, _kill, [process, late])
            timer.daemon = True
            timer.start()
            try:
                return _exchanged(process, data, limits)
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
            command = [sys.executable, "-I", str(Path(workbook_reader.__file__)), str(limits.memory_mb)]
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


def read_apart(data: bytes, limits: ReaderLimits) -> list[SheetCells]:
    """Read the cells of a workbook in a process of its own.

    Parameters
    ----------
    data : the workbook.
    limits : what it may cost.

    Raises
    ------
    Unreadable : encrypted, damaged, or more than the limits allow.
    """
    found = _READER.read(data, limits)
    if isinstance(found, list):
        return [SheetCells(*sheet) for sheet in found]
    kind, words = found
    if kind == PASSWORD:
        raise Unreadable("the workbook is encrypted; save it without a password")
    if kind == DAMAGED:
        raise Unreadable(f"the workbook is damaged{words and f' ({words})'}; open it and save it again")
    if kind == SPAN:
        raise Unreadable(f"{words}; delete the stray cell far from the table", "file-too-large")
    raise Unreadable(_too_much(limits), "file-too-large")


def _too_much(limits: ReaderLimits) -> str:
    return f"reading it takes more than {limits.memory_mb} MB (setting reader_memory_mb); delete what is not needed"


def _kill(process: subprocess.Popen[bytes], late: threading.Event) -> None:
    late.set()
    process.kill()


def _exchanged(process: subprocess.Popen[bytes], data: bytes, limits: ReaderLimits) -> workbook_reader.WorkbookAnswer:
    started = time.monotonic()
    if process.stdin is None or process.stdout is None:
        raise BrokenPipeError
    process.stdin.write(REQUEST.pack(len(data), limits.cells))
    process.stdin.write(data)
    process.stdin.flush()
    [size] = ANSWER.unpack(_exactly(process, ANSWER.size))
    found: workbook_reader.WorkbookAnswer = pickle.loads(_exactly(process, size))  # noqa: S301 - written by our own process
    if time.monotonic() - started > limits.seconds:
        raise TimeoutError
    return found


def _exactly(process: subprocess.Popen[bytes], size: int) -> bytes:
    """Read so many bytes of an answer; fewer come only from a process that died."""
    if process.stdout is None or len(found := process.stdout.read(size)) < size:
        raise EOFError
    return found
