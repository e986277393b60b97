"""Unpack gzip files piece by piece, never more than is allowed; runs in the process that reads hostile formats."""

from __future__ import annotations

import gzip
import io
import zlib
from typing import TYPE_CHECKING, Final

from pipeline.ingest.unreadable import Unreadable

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.ingest.reader_limits import ReaderLimits

_PIECE: Final = 1 << 20


def unpack_gzip(data: bytes, limits: ReaderLimits, send: Callable[[bytes], None]) -> int:
    """Unpack all members of a gzip file.

    Parameters
    ----------
    data : the file.
    limits : how much may come out.
    send : takes what comes out, piece by piece.

    Returns
    -------
    how many bytes came out.

    Raises
    ------
    Unreadable : cut off, damaged, empty, or more than is allowed.
    """
    most, total = limits.most_unpacked(len(data)), 0
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as packed:
            while piece := packed.read(_PIECE):
                total += len(piece)
                if total > most:
                    raise Unreadable(limits.too_much_unpacked(len(data)), "file-too-large")
                send(piece)
    except EOFError as error:
        raise Unreadable("the gzip file is cut off; copy it again") from error
    except (gzip.BadGzipFile, zlib.error) as error:
        raise Unreadable(f"the gzip file is damaged ({error}); copy it again") from error
    if not total:
        raise Unreadable("the gzip file holds nothing", "file-empty")
    return total
