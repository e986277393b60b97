"""What reading one file may cost; each limit is a setting of the same name with `reader_` before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

# What a small file holds is never too much for what it weighs: the bytes that are always allowed.
ALWAYS_UNPACKED: Final = 64 << 20


@dataclass(frozen=True)
class ReaderLimits:
    """What reading one file may cost.

    Attributes
    ----------
    memory_mb : of the process that reads workbooks, PDFs and compressed files [MiB].
    seconds : it may take [s].
    cells : of a workbook, from the first to the last that is filled, all sheets together.
    columns : of a table; a sheet has no more [ECMA-376].
    pages : of a PDF; a report has fewer, a book is no report [CP].
    parts : of a workbook's package.
    unpacked_times : how many times its size a compressed file or a workbook may unpack to; text of measurements is
        packed to a fifth or a twentieth [CP].
    unpacked_bytes : the most it may unpack to; the setting max_file_mb.
    """

    memory_mb: int = 2048
    seconds: float = 120.0
    cells: int = 25_000_000
    columns: int = 16_384
    pages: int = 500
    parts: int = 10_000
    unpacked_times: int = 200
    unpacked_bytes: int = 2_048_000_000

    def most_unpacked(self, packed: int) -> int:
        """Give how many bytes so many packed ones may hold."""
        return min(max(packed * self.unpacked_times, ALWAYS_UNPACKED), self.unpacked_bytes)

    def too_much_unpacked(self, packed: int) -> str:
        """Say why what comes out is too much."""
        most = self.most_unpacked(packed)
        if most == self.unpacked_bytes:
            return f"unpacked, it has more than the {most:,} bytes that are allowed (setting max_file_mb)"
        return (
            f"unpacked, it has more than {most:,} bytes, {self.unpacked_times} times its size or more "
            "(setting reader_unpacked_times)"
        )
