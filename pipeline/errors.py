"""The one exception a user may see as a message, and the codes the program ends with; apart from everything heavy."""

from __future__ import annotations

from typing import Final

EXIT_CLEAN: Final = 0
EXIT_FINDINGS: Final = 1
EXIT_CANNOT: Final = 2
EXIT_FAULT: Final = 3
EXIT_TERMINATED: Final = 143  # 128 + 15, as a shell names a process that the signal TERM has ended

# The one sentence for "the command did nothing".
UNCHANGED: Final = "Nothing was changed."


class KettlestoneError(Exception):
    """The program cannot go on: says what happened, what is safe and what to do (exit code 2)."""
