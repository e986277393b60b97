"""Signs that command a terminal or turn the order of what is read, made visible: a label cannot hide or pretend."""

from __future__ import annotations

import re
from typing import Final

import click

# C0 without tab and line feed, DEL, C1; what turns the order of letters: marks, embeddings, overrides, isolates [UAX9].
COMMANDING: Final = "\x00-\x08\x0b-\x1f\x7f\x80-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"
_COMMANDING: Final = re.compile(f"[{COMMANDING}]")
_CARRIAGE_RETURN: Final = "\r\n"
_PICTURES: Final = 0x2400  # Unicode has a picture of each C0 sign, in their order
_DELETE: Final = 0x7F
_C0: Final = 0x20


def visible(text: str) -> str:
    r"""Show what commands a terminal, or turns the order of letters, as a sign that does nothing.

    C0 becomes its picture, all else its number; tabs and line ends stay.

    Example
    -------
    >>> visible("A\x1b[2J \u202e4.7 Hp")
    'A␛[2J ⟨U+202E⟩4.7 Hp'
    """
    if _COMMANDING.search(text) is None:
        return text
    return _COMMANDING.sub(_sign, text.replace(_CARRIAGE_RETURN, "\n"))


def echo(text: str, *, err: bool = False) -> None:
    """Print for people or programs, with nothing in it that commands the terminal."""
    click.echo(visible(text), err=err)


def _sign(found: re.Match[str]) -> str:
    code = ord(found.group())
    if code < _C0:
        return chr(_PICTURES + code)
    return "␡" if code == _DELETE else f"⟨U+{code:04X}⟩"
