"""Which quotes of a text table open or close a cell, and which are only inch marks.

A quote counts only where it opens a cell; inside a quoted cell two quotes stand for one. Read one
character at a time this is a machine with two states, outside and inside. A run of quotes changes the
state in one of three ways: an even run leaves it, an odd run at the start of a cell flips it, any other
odd run ends outside. Flips and resets can be summed over all runs at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Places

    Mask = npt.NDArray[np.bool_]

QUOTE: Final = 34
MAX_QUOTED_LINES: Final = 50
_MAX_REPAIRS: Final = 20
_CARRIAGE_RETURN: Final = 13


@dataclass(frozen=True)
class Quoting:
    """What the quotes of a block mean.

    Attributes
    ----------
    inside : (bytes,) True at bytes of quoted cells, as far as delimiters and line ends are concerned.
    dropped : places of quotes that are marks, not text.
    taken_as_text : places of quotes that open a cell but were taken as text, because nothing closes them.
    line_by_line : too many of them: no quoted cell of this block may go on to the next line.
    open_at_end : the last quoted cell never closes.
    text_behind : places of quotes that close a cell although text follows them.
    """

    inside: Mask
    dropped: Places
    taken_as_text: Places
    line_by_line: bool
    open_at_end: bool
    text_behind: Places


@dataclass(frozen=True)
class _Runs:
    """Runs of neighbouring quotes: first place, length, and what stands around them."""

    start: Places
    length: Places
    may_open: Mask
    closes_badly: Mask


def read_quotes(block: npt.NDArray[np.uint8], opener: Mask, ender: Mask, lines: Places, *, last: bool) -> Quoting:
    """Find quoted cells in a block that starts at the start of a row.

    A quote that never closes, or closes in the middle of a text some lines further down, would swallow
    rows. Such a quote is taken as text, the first one first, because it changes the meaning of the rest.

    Parameters
    ----------
    block : bytes of the text.
    opener : True at bytes after which a cell starts.
    ender : True at bytes which end a cell.
    lines : places of the line ends, inside quotes or not.
    last : the block is the end of the file, so that an open quote is never closed.
    """
    runs = _find_runs(block, opener, ender)
    run_before_line = np.searchsorted(runs.start, lines) - 1
    as_text: list[int] = []
    line_by_line = False
    open_at_end = False
    while True:
        before, after = _states(runs)
        suspect = _first_suspect(runs, before, after, run_before_line, last=last)
        if suspect is None:
            break
        open_at_end |= last and suspect == _unclosed(before, after)
        if len(as_text) == _MAX_REPAIRS:
            line_by_line = True
            before, after = _close_at_line_ends(runs, run_before_line)
            break
        runs.may_open[suspect] = False
        as_text.append(int(runs.start[suspect]))
    return Quoting(
        inside=_inside(len(block), runs, before, after),
        dropped=_dropped(runs, before),
        taken_as_text=np.array(as_text, dtype=np.int64),
        line_by_line=line_by_line,
        open_at_end=open_at_end,
        text_behind=runs.start[before & ~after & runs.closes_badly],
    )


def _find_runs(block: npt.NDArray[np.uint8], opener: Mask, ender: Mask) -> _Runs:
    places = np.flatnonzero(block == QUOTE)
    first = np.flatnonzero(np.diff(places, prepend=-2) != 1)
    start = places[first]
    length = np.diff(first, append=len(places))
    behind = start + length
    within = np.minimum(behind, len(block) - 1)
    ends = ender[within] | (block[within] == _CARRIAGE_RETURN) | (behind == len(block))
    return _Runs(start, length, opener[start - 1] | (start == 0), ~ends)


def _states(runs: _Runs, new_line: Mask | None = None) -> tuple[Mask, Mask]:
    """Tell for every run whether the text before and after it is inside a quoted cell."""
    odd = runs.length % 2 == 1
    flips = np.cumsum(odd & runs.may_open)
    settled = np.where(odd & ~runs.may_open, flips, 0)
    if new_line is not None:
        settled = np.maximum(settled, np.where(new_line, flips - (odd & runs.may_open), 0))
    after = (flips - np.maximum.accumulate(settled)) % 2 == 1
    before = np.concatenate([[False], after[:-1]])
    if new_line is not None:
        before &= ~new_line
    return before, after


def _unclosed(before: Mask, after: Mask) -> int | None:
    """Give the run that opens the last cell if that cell stays open."""
    return int(np.flatnonzero(~before & after)[-1]) if after[-1] else None


def _first_suspect(runs: _Runs, before: Mask, after: Mask, run_before_line: Places, *, last: bool) -> int | None:
    """Find the first run that opens a cell nobody can have meant."""
    opens = np.flatnonzero(~before & after)
    closes = np.flatnonzero(before & ~after)
    if not len(opens):
        return None
    held = run_before_line[run_before_line >= 0]
    held = held[after[held]]
    lines = np.bincount(np.searchsorted(opens, held, side="right") - 1, minlength=len(opens))
    suspect = lines > MAX_QUOTED_LINES
    suspect[: len(closes)] |= (lines[: len(closes)] > 0) & runs.closes_badly[closes]
    suspect[len(closes) :] |= last
    return int(opens[suspect.argmax()]) if suspect.any() else None


def _close_at_line_ends(runs: _Runs, run_before_line: Places) -> tuple[Mask, Mask]:
    """Read every line on its own: a quote without a partner on its line is text."""
    last_of_line = np.zeros(len(runs.start), dtype=bool)
    last_of_line[run_before_line[run_before_line >= 0]] = True
    last_of_line[-1] = True
    new_line = np.concatenate([[True], last_of_line[:-1]])
    _, after = _states(runs, new_line)
    runs.may_open[after & last_of_line] = False
    return _states(runs, new_line)


def _inside(size: int, runs: _Runs, before: Mask, after: Mask) -> Mask:
    """Mark the bytes between changes of state: the parity of the changes so far, 64 bytes a word."""
    change = np.zeros((size + 63) // 64 * 64, dtype=bool)
    change[runs.start[before != after]] = True
    word = np.packbits(change, bitorder="little").view(np.uint64)
    for shift in (1, 2, 4, 8, 16, 32):
        word = word ^ (word << np.uint64(shift))
    odd = np.bitwise_xor.accumulate((word >> np.uint64(63)).astype(np.uint8)).astype(bool)
    carried = np.concatenate([[False], odd[:-1]])
    word = np.where(carried, ~word, word)
    return np.unpackbits(word.view(np.uint8), bitorder="little").view(np.bool_)[:size]


def _dropped(runs: _Runs, before: Mask) -> Places:
    """Find the quotes that are not text: of an inner run one of each two, of an opening run one more."""
    kept = np.where(before, runs.length // 2, np.where(runs.may_open, (runs.length - 1) // 2, runs.length))
    drop = runs.length - kept
    place = np.arange(int(drop.sum()), dtype=np.int64)
    return np.repeat(runs.start - (np.cumsum(drop) - drop), drop) + place
