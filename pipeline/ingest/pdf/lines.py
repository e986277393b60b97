"""The words of a page in lines, with raised and lowered signs written as such."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pdfplumber.page import Page

_SMALL: Final = 0.85  # of the size of its line; a smaller sign is an index or a footnote mark
_RAISED_BY: Final = 0.2  # of the size of its line; so far the foot of a raised sign stands above that of the line
_SAME_LINE: Final = 0.35  # of the height of the smaller; words that share as much stand on one line
_GLUED: Final = 0.15  # of the size; nearer words are one
_CELL_GAP: Final = 0.8  # of the size; a blank is 0.25 to 0.35 wide in ordinary founts
_RAISED: Final = str.maketrans("0123456789+-=()abcd", "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻⁼⁽⁾ᵃᵇᶜᵈ")
_LOWERED: Final = str.maketrans("0123456789+-=()", "₀₁₂₃₄₅₆₇₈₉₊₋₌₍₎")


@dataclass(frozen=True)
class Phrase:
    """A piece of text on a line and the box it fills [points, from the upper left corner of the page]."""

    text: str
    x0: float
    x1: float
    top: float
    bottom: float
    size: float

    @property
    def middle(self) -> tuple[float, float]:
        """Give the centre of the box."""
        return (self.x0 + self.x1) / 2.0, (self.top + self.bottom) / 2.0


@dataclass(frozen=True)
class TextLine:
    """One line of a page: its number on the page, from 1, and its words from left to right."""

    number: int
    words: tuple[Phrase, ...]

    @property
    def top(self) -> float:
        """Give the upper edge."""
        return min(word.top for word in self.words)

    @property
    def bottom(self) -> float:
        """Give the lower edge."""
        return max(word.bottom for word in self.words)

    @property
    def middle(self) -> float:
        """Give the height of its middle."""
        return (self.top + self.bottom) / 2.0

    @property
    def size(self) -> float:
        """Give the size of most of its letters."""
        return _main_size(self.words)

    @property
    def text(self) -> str:
        """Give the whole line, one blank between words."""
        return " ".join(word.text for word in self.words)

    def cells(self) -> list[Phrase]:
        """Join the words that stand as near as words of one phrase do."""
        wide = self.size * _CELL_GAP
        groups: list[list[Phrase]] = [[self.words[0]]]
        for before, word in pairwise(self.words):
            if word.x0 - before.x1 > wide:
                groups.append([])
            groups[-1].append(word)
        return [phrase_of(group) for group in groups]


def phrase_of(words: Sequence[Phrase]) -> Phrase:
    """Join words to one phrase."""
    return Phrase(
        " ".join(word.text for word in words),
        words[0].x0,
        words[-1].x1,
        min(word.top for word in words),
        max(word.bottom for word in words),
        words[0].size,
    )


def text_lines(page: Page) -> list[TextLine]:
    """Lay the words of a page out in lines, from top to bottom.

    A small sign above its line becomes a superscript letter of Unicode, one below it a subscript, so that a
    footnote mark is never taken for a digit of the number that it stands at.

    Parameters
    ----------
    page : of a document opened with pdfplumber.
    """
    found = page.extract_words(extra_attrs=["size"], keep_blank_chars=False, x_tolerance_ratio=0.2)
    words = [_span(word) for word in found if word["text"].strip()]
    lines: list[list[Phrase]] = []
    for word in sorted(words, key=lambda one: (one.middle[1], one.x0)):
        if lines and _on_line(word, lines[-1]):
            lines[-1].append(word)
        else:
            lines.append([word])
    return [TextLine(number, _indexed(line)) for number, line in enumerate(lines, start=1)]


def _span(word: dict[str, Any]) -> Phrase:
    return Phrase(word["text"], word["x0"], word["x1"], word["top"], word["bottom"], word["size"])


def _on_line(word: Phrase, line: Sequence[Phrase]) -> bool:
    """Say whether a word stands on the line of others: beside the largest of them for a good part of its height."""
    main = max(line, key=lambda one: one.size)
    shared = min(word.bottom, main.bottom) - max(word.top, main.top)
    return shared >= _SAME_LINE * min(word.bottom - word.top, main.bottom - main.top)


def _main_size(words: Sequence[Phrase]) -> float:
    letters: dict[float, int] = {}
    for word in words:
        letters[word.size] = letters.get(word.size, 0) + len(word.text)
    return max(letters, key=lambda size: (letters[size], size))


def _indexed(line: Sequence[Phrase]) -> tuple[Phrase, ...]:
    """Write small signs off the line as super- and subscripts, glued to the word that they stand at."""
    size = _main_size(line)
    foot = max(word.bottom for word in line if word.size >= size * _SMALL)
    result: list[Phrase] = []
    for plain in sorted(line, key=lambda one: one.x0):
        word = plain
        small = word.size < size * _SMALL
        raised = small and foot - word.bottom > _RAISED_BY * size
        glued = bool(result) and word.x0 - result[-1].x1 < size * _GLUED
        if raised or (small and glued):
            word = replace(word, text=word.text.translate(_RAISED if raised else _LOWERED))
        if glued and (small or result[-1].size < size * _SMALL):
            result[-1] = replace(phrase_of([result[-1], word]), text=result[-1].text + word.text)
        else:
            result.append(word)
    return tuple(result)
