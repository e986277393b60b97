"""Columns of few distinct texts, kept as codes: cheap to build, to ask, to combine and to store."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import compress
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    import numpy.typing as npt

    from pipeline.arrays import Codes, Flags

_MOST: Final = 2**62  # combinations one number can stand for
_FEW: Final = 64  # texts that are looked at one by one
_TABLE_SIZE: Final = 1 << 22  # combinations that are counted in a table rather than by sorting


@dataclass(frozen=True)
class TextColumn:
    """Texts of (n,) rows, of which many say the same; whatever is asked of a text is asked once.

    Attributes
    ----------
    codes : (n,) place in ``texts`` of what each row says.
    texts : the different texts, "" among them where some row says nothing. One that was made from others
        (``map``, ``otherwise``) may hold a text twice.
    """

    codes: Codes
    texts: tuple[str, ...]

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.codes)

    @classmethod
    def constant(cls, text: str, rows: int) -> TextColumn:
        """Give every row the same text."""
        return cls(np.zeros(rows, dtype="int8"), (text,))

    @classmethod
    def from_arrow(cls, column: pa.Array) -> TextColumn:
        """Encode a text column without gaps."""
        encoded = column.dictionary_encode()
        return cls(encoded.indices.to_numpy(), tuple(encoded.dictionary.to_pylist()))

    @classmethod
    def from_series(cls, column: pd.Series) -> TextColumn:
        """Encode a text or category column; what is missing says ""."""
        if isinstance(column.dtype, pd.CategoricalDtype):
            if len(column.cat.categories) > len(column):  # a part of a longer column says less than all of it
                column = column.cat.remove_unused_categories()
            codes, known = column.cat.codes.to_numpy(), column.cat.categories
        else:
            codes, known = pd.factorize(column)
        texts = tuple(pd.Index(known).astype("str").tolist())
        if not len(codes) or codes.min() >= 0:
            return cls(codes, texts)
        empty = texts.index("") if "" in texts else len(texts)
        texts = texts if "" in texts else (*texts, "")
        return cls(np.where(codes < 0, empty, _wide_enough(codes, len(texts))), texts)

    @classmethod
    def of(cls, frame: pd.DataFrame, name: str) -> TextColumn:
        """Encode a column of a frame; where it has no such column no row says anything."""
        return cls.from_series(frame[name]) if name in frame else cls.constant("", len(frame))

    def take(self, rows: Codes | Flags) -> TextColumn:
        """Choose rows, by place or by truth value."""
        return TextColumn(self.codes[rows], self.texts)

    def kept(self, rising: npt.NDArray[np.int64]) -> TextColumn:
        """Choose rows by places in rising order, each at most once; all of them cost nothing."""
        return self if len(rising) == len(self.codes) else self.take(rising)

    def answers(self, question: Callable[[str], object]) -> npt.NDArray[Any]:
        """Ask every distinct text once and give each row the answer of its text."""
        return np.asarray(np.array([question(text) for text in self.texts])[self.codes])

    def mask(self, wanted: Callable[[str], bool]) -> Flags:
        """Tell the rows whose text is wanted."""
        chosen = np.fromiter((wanted(text) for text in self.texts), dtype="bool", count=len(self.texts))
        return chosen[self.codes] if chosen.any() else np.zeros(len(self.codes), dtype="bool")

    def isin(self, wanted: Iterable[str]) -> Flags:
        """Tell the rows that say one of the wanted texts."""
        return self.mask(frozenset(wanted).__contains__)

    def stated(self) -> Flags:
        """Tell the rows that say anything."""
        return self.mask(bool) if "" in self.texts else np.ones(len(self.codes), dtype="bool")

    def mentions(self, pattern: str) -> Flags:
        """Tell the rows that contain a regular expression, whatever the case of their letters."""
        return self._with(pattern)[self.codes]

    def meant(self, pattern: str, meaning: Callable[[str], str]) -> TextColumn:
        """Give what each text means, "" where nothing; only those that contain the regular expression are asked."""
        asked = np.flatnonzero(self._with(pattern)).tolist()
        meanings = {place: found for place in asked if (found := meaning(self.texts[place]))}
        if not meanings:
            return TextColumn.constant("", len(self))
        number = np.zeros(len(self.texts), dtype=np.int32)
        number[list(meanings)] = np.arange(1, len(meanings) + 1)
        return TextColumn(number[self.codes], ("", *meanings.values()))

    def _with(self, pattern: str) -> Flags:
        """Tell the distinct texts that contain a regular expression, whatever the case of their letters."""
        if len(self.texts) <= _FEW:
            # Arrow makes the pattern anew at every call, which costs more than a few texts.
            found = re.compile(pattern).search
            return np.array([found(text.lower()) is not None for text in self.texts], dtype="bool")
        lower = pc.utf8_lower(pa.array(self.texts, pa.string()))
        return np.asarray(pc.match_substring_regex(lower, pattern).to_numpy(zero_copy_only=False), dtype="bool")

    def holding(self, pattern: str) -> list[str]:
        """List the distinct texts that contain a regular expression, whatever the case of their letters."""
        return list(compress(self.texts, self._with(pattern).tolist()))

    def lengths(self) -> npt.NDArray[np.int64]:
        """Count the characters of every row."""
        return np.array([len(text) for text in self.texts], dtype="int64")[self.codes]

    def map(self, change: Callable[[str], str]) -> TextColumn:
        """Change every distinct text once."""
        return TextColumn(self.codes, tuple(change(text) for text in self.texts))

    def in_order(self) -> TextColumn:
        """Give the texts codes that follow the alphabet."""
        order = sorted(range(len(self.texts)), key=self.texts.__getitem__)
        return TextColumn(np.argsort(order)[self.codes], tuple(self.texts[place] for place in order))

    def where(self, mask: Flags, text: str) -> TextColumn:
        """Put ``text`` where the mask holds."""
        if not mask.any():
            return self
        texts = self.texts if text in self.texts else (*self.texts, text)
        return TextColumn(np.where(mask, texts.index(text), _wide_enough(self.codes, len(texts))), texts)

    def noted(self, mask: Flags, text: str) -> TextColumn:
        """Put ``text`` where the mask holds and the row says nothing yet: what was noted first stays."""
        return self.where(mask & ~self.stated(), text)

    def extended(self, mask: Flags, text: str) -> TextColumn:
        """Add ``text`` where the mask holds, after "; " where the row says something already."""
        both = (f"{old}; {text}" if old else text for old in self.texts)
        return TextColumn(self.codes, tuple(both)).over(self, mask) if mask.any() else self

    def over(self, other: TextColumn, mask: Flags) -> TextColumn:
        """Take the rows of this column where the mask holds, those of ``other`` elsewhere."""
        many = len(self.texts) + len(other.texts)
        own = _wide_enough(self.codes, many) + len(other.texts)
        return TextColumn(np.where(mask, own, other.codes), (*other.texts, *self.texts))

    def otherwise(self, other: TextColumn) -> TextColumn:
        """Fill the rows that say nothing from ``other``."""
        if not any(other.texts) or "" not in self.texts:
            return self
        if not any(self.texts):
            return other
        stated = self.stated()
        return self if stated.all() else other.over(self, ~stated)

    def distinct(self) -> TextColumn:
        """Hold every text that occurs once, in the order of ``texts``, with codes as narrow as that allows."""
        seen = np.full(len(self.texts), len(self.texts) == 1 and len(self.codes) > 0)
        if not seen.all():
            seen[self.codes] = True
        used = dict.fromkeys(self.texts if seen.all() else compress(self.texts, seen.tolist()))
        narrow = np.min_scalar_type(-max(len(used), 1))
        if len(used) == len(self.texts):
            return TextColumn(self.codes.astype(narrow, copy=False), self.texts)
        place = {text: code for code, text in enumerate(used)}
        translated = np.array([place.get(text, -1) for text in self.texts], dtype=narrow)
        return TextColumn(translated[self.codes] if len(self.codes) else np.zeros(0, dtype=narrow), tuple(used))

    def category(self) -> pd.Categorical[str]:
        """Give a pandas category column; only texts that occur become categories."""
        one = self.distinct()
        kind = pd.CategoricalDtype(pd.Index(list(one.texts), dtype="str"))
        coded = pd.Categorical.from_codes(cast("Any", one.codes), dtype=kind, validate=False)
        return cast("pd.Categorical[str]", coded)

    def series(self, index: pd.Index | None = None) -> pd.Series[str]:
        """Give a plain text column."""
        return pd.Series(pd.array(self.array(pa.large_string()), dtype="str"), index=index)

    def array(self, kind: pa.DataType) -> pa.Array:
        """Give an Arrow column of plain texts."""
        return pa.array(self.texts, type=kind).take(pa.array(self.codes))

    def tolist(self) -> list[str]:
        """Write every row out as a Python text."""
        return [self.texts[code] for code in self.codes.tolist()]


def _wide_enough(codes: Codes, many: int) -> Codes:
    """Give codes of a type in which ``many`` texts can be told apart."""
    wide = np.result_type(codes.dtype, np.min_scalar_type(-max(many, 1)))
    return cast("Codes", codes.astype(wide, copy=False))


def concatenated(parts: Sequence[TextColumn]) -> TextColumn:
    """Put the rows of several columns one after the other."""
    if len(parts) == 1:
        return parts[0]
    place = {text: code for code, text in enumerate(dict.fromkeys(text for part in parts for text in part.texts))}
    narrow = np.min_scalar_type(-max(len(place), 1))
    codes = [np.array([place[text] for text in part.texts], dtype=narrow)[part.codes] for part in parts]
    return TextColumn(np.concatenate([np.zeros(0, dtype=narrow), *codes]), tuple(place))


def composed(parts: Sequence[TextColumn], change: Callable[..., str]) -> TextColumn:
    """Compute one text from several, once for each combination that occurs."""
    if not len(parts[0]):
        return TextColumn(np.zeros(0, dtype="int8"), ())
    varied = [part for part in parts if len(part.texts) > 1]
    if len(varied) <= 1:
        alone = varied[0] if varied else parts[0]
        texts = [part.texts if part is alone else part.texts * len(alone.texts) for part in parts]
        return TextColumn(alone.codes, tuple(change(*row) for row in zip(*texts, strict=True)))
    number = np.zeros(len(parts[0]), dtype="int64")
    size = 1
    for part in parts:
        number = number * len(part.texts) + part.codes
        size *= len(part.texts)
        if size > _TABLE_SIZE:
            distinct, number = np.unique(number, return_inverse=True)
            size = len(distinct)
    seen = np.zeros(size, dtype="bool")
    seen[number] = True
    codes = (np.cumsum(seen) - 1)[number].astype("int32")
    rows = first_rows(codes).tolist()
    return TextColumn(codes, tuple(change(*(part.texts[part.codes[row]] for part in parts)) for row in rows))


def first_stated(said: Mapping[str, TextColumn]) -> tuple[TextColumn, TextColumn]:
    """Take what the first column states in each row, else the next; and the name of the column it was taken from."""
    texts = origin = TextColumn.constant("", len(next(iter(said.values()))))
    for name, column in said.items():
        texts = texts.otherwise(column)
        origin = origin.otherwise(_marked(column, name))
    return texts, origin


def _marked(column: TextColumn, name: str) -> TextColumn:
    return column.map(lambda text: name if text else "")


def numbered(columns: Iterable[TextColumn | Flags | tuple[Codes, int]]) -> npt.NDArray[np.int64]:
    """Give each distinct combination of columns a number, in the order they appear.

    Parameters
    ----------
    columns : texts that are each held once, truth values, or (n,) codes from 0 and how many different ones
        there may be.

    Example
    -------
    >>> numbered([(np.array([1, 0, 1, 1]), 2), (np.array([4, 4, 4, 0]), 5)])
    array([0, 1, 0, 2])
    """
    number: npt.NDArray[np.int64] | None = None
    size = 1
    for codes, many in map(_coded, columns):
        if number is not None and size * many > _MOST:
            number, distinct = pd.factorize(number)
            size = len(distinct)
        number = codes.astype("int64") if number is None else number * many + codes
        size *= many
    return pd.factorize(number)[0] if number is not None else np.zeros(0, dtype="int64")


def _coded(column: TextColumn | Flags | tuple[Codes, int]) -> tuple[Codes, int]:
    """Give the codes of a column and how many different ones there may be."""
    if isinstance(column, TextColumn):
        return column.codes, len(column.texts)
    return (column.astype("int8"), 2) if isinstance(column, np.ndarray) else column


def first_rows(number: Codes) -> npt.NDArray[np.int64]:
    """Give the first row of each number, of rows numbered from 0 without gaps."""
    first = np.zeros(int(number.max(initial=-1)) + 1, dtype="int64")
    first[number[::-1]] = np.arange(len(number))[::-1]
    return first


def united(place: Codes, said: TextColumn, size: int) -> TextColumn:
    """Bring the words that several rows say of the same place together: each once, in order, separated by blanks.

    Parameters
    ----------
    place : (n,) of 0 to ``size`` - 1.
    said : (n,) words separated by blanks, "" for none.
    size : how many places there are.

    Example
    -------
    >>> united(np.array([0, 2, 0]), TextColumn(np.arange(3), ("sodium", "ph", "calcium sodium")), 3).tolist()
    ['calcium sodium', '', 'ph']
    """
    words = sorted({word for text in said.texts for word in text.split()})
    flags = np.zeros((len(words), size), dtype="bool")
    for number, word in enumerate(words):
        flags[number, place[said.mask(lambda text, word=word: word in text.split())]] = True  # type: ignore[misc]
    if not words:
        return TextColumn.constant("", size)
    mixed = numbered(flags)
    texts = (
        " ".join(word for word, flag in zip(words, flags[:, row], strict=True) if flag) for row in first_rows(mixed)
    )
    return TextColumn(mixed, tuple(texts))
