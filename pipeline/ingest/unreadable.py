"""A file that cannot be read; apart from everything heavy, for the process that reads hostile formats."""

from __future__ import annotations

from pipeline.errors import KettlestoneError


class Unreadable(KettlestoneError):  # noqa: N818 - says what the file is
    """A file that cannot be read: what it is instead, or what is wrong with it.

    ``code`` is the problem it is filed under (``pipeline.problems``).
    """

    def __init__(self, reason: str, code: str = "file-unreadable") -> None:
        super().__init__(reason)
        self.code = code
