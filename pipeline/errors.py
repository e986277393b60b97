"""The one exception a user may see as a message; apart from everything heavy."""

from __future__ import annotations


class KettlestoneError(Exception):
    """The program cannot go on: says what happened, what is safe and what to do (exit code 2)."""
