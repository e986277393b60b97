"""A program of its own that reads hostile formats, so that a file can bring down nothing else.

It is run as a file and takes requests on standard input until that is closed: the lengths of what is asked and of the
file (two little-endian 64-bit numbers), a pickle of the kind and the limits, and the bytes of the file. It answers on
standard output with pieces of bytes, each after its length, an empty one, and a pickle after its length: how it
went, and what was found or what is in the way.
"""

from __future__ import annotations

import importlib
import pickle
import struct
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pipeline.ingest.unreadable import Unreadable

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import BinaryIO

    from pipeline.ingest.reader_limits import ReaderLimits

REQUEST: Final = struct.Struct("<QQ")
LENGTH: Final = struct.Struct("<Q")
READ, REFUSED, ROOM, FAILED = "read", "refused", "room", "failed"
# Kind → the module that reads it, imported when the first one comes, and its function.
READERS: Final = {
    "workbook": ("pipeline.ingest.workbook_reader", "read_workbook"),
    "pdf": ("pipeline.ingest.pdf.pdf_reader", "read_pdf"),
    "gzip": ("pipeline.ingest.gzip_reader", "unpack_gzip"),
}
_MIB: Final = 1 << 20


def answer(kind: str, data: bytes, limits: ReaderLimits, send: Callable[[bytes], None]) -> tuple[str, Any]:
    """Read one file, or say what is in the way; whatever a reader fails at is said and not raised."""
    try:
        module, function = READERS[kind]
        return READ, getattr(importlib.import_module(module), function)(data, limits, send)
    except Unreadable as error:
        return REFUSED, (str(error), error.code)
    except MemoryError:
        return ROOM, ""
    except Exception:  # noqa: BLE001 - the file's fault or ours; the other process tells
        return FAILED, traceback.format_exc()
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # a reader's own crash; not an Exception
            raise
        return REFUSED, ("it is damaged; open it in its program and save it again", "file-unreadable")


def limit_memory(mib: int) -> None:
    """Let the system refuse more memory; where it has no such limit (Windows), sizes alone are checked."""
    try:
        import resource  # noqa: PLC0415 - not on every system
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (mib * _MIB, mib * _MIB))


def serve(requests: BinaryIO, answers: BinaryIO) -> None:
    """Answer one request after the other until there are no more."""

    def send(piece: bytes) -> None:
        answers.write(LENGTH.pack(len(piece)))
        answers.write(piece)

    while len(head := requests.read(REQUEST.size)) == REQUEST.size:
        asked, size = REQUEST.unpack(head)
        kind, limits = pickle.loads(requests.read(asked))  # noqa: S301 - from the process that started this one
        found = pickle.dumps(answer(kind, requests.read(size), limits, send), protocol=pickle.HIGHEST_PROTOCOL)
        send(b"")
        send(found)
        answers.flush()


if __name__ == "__main__":
    limit_memory(int(sys.argv[1]))
    serve(sys.stdin.buffer, sys.stdout.buffer)
