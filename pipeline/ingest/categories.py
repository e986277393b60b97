"""Columns of few distinct texts, kept as codes: cheap to build, to combine and to store."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import compress
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np
import pandas as pd
import pyarrow as pa

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    import numpy.typing as npt


_MOST: Final = 2**62  # combinations one number can stand for
_TABLE_SIZE: Final = 1 << 22  # combinations that are counted in a table rather than by sorting


@dataclass(frozen=True)
class Category:
    """Texts as (n,) ``codes`` into ``texts``; ``texts`` may repeat a text."""

    codes: npt.NDArray[np.int32]
    texts: tuple[str, ...]

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.codes)

    @classmethod
    def constant(cls, text: str, length: int) -> Category:
        """Give the same text ``length`` times."""
        return cls(np.zeros(length, dtype=np.int32), (text,))

    @classmethod
    def of(cls, column: pa.Array) -> Category:
        """Encode a text column."""
        encoded = column.dictionary_encode()
        return cls(encoded.indices.to_numpy(), tuple(encoded.dictionary.to_pylist()))

    def take(self, positions: npt.NDArray[np.int64]) -> Category:
        """Choose rows, in the order of ``positions``."""
        return Category(self.codes[positions], self.texts)

    def kept(self, rising: npt.NDArray[np.int64]) -> Category:
        """Choose rows by positions in rising order, each at most once; all of them cost nothing."""
        return self if len(rising) == len(self.codes) else self.take(rising)

    def map(self, change: Callable[[str], str]) -> Category:
        """Change every distinct text once."""
        return Category(self.codes, tuple(change(text) for text in self.texts))

    def mask(self, wanted: Callable[[str], bool]) -> npt.NDArray[np.bool_]:
        """Tell the rows whose text is wanted."""
        chosen = np.fromiter((wanted(text) for text in self.texts), dtype=bool, count=len(self.texts))
        if not chosen.any():
            return np.zeros(len(self.codes), dtype=bool)
        return cast("npt.NDArray[np.bool_]", chosen[self.codes])

    def empty(self) -> npt.NDArray[np.bool_]:
        """Tell the rows that say nothing."""
        return self.mask(lambda text: not text) if "" in self.texts else np.zeros(len(self.codes), dtype=bool)

    def otherwise(self, other: Category) -> Category:
        """Fill empty texts from ``other``."""
        empty = self.empty()
        if not any(other.texts) or not empty.any():
            return self
        if not any(self.texts):
            return other
        codes = np.where(empty, other.codes + len(self.texts), self.codes).astype(np.int32)
        return Category(codes, (*self.texts, *other.texts))

    def where(self, mask: npt.NDArray[np.bool_], text: str) -> Category:
        """Put ``text`` where the mask holds."""
        codes = np.where(mask, len(self.texts), self.codes).astype(np.int32)
        return Category(codes, (*self.texts, text))

    def series(self) -> pd.Series:
        """Give a pandas category column; only texts that occur become categories."""
        seen = np.full(len(self.texts), len(self.texts) == 1 and len(self.codes) > 0)
        if not seen.all():
            seen[self.codes] = True
        used = dict.fromkeys(self.texts if seen.all() else compress(self.texts, seen.tolist()))
        narrow = np.min_scalar_type(-max(len(used), 1))
        if len(used) == len(self.texts):
            codes = self.codes.astype(narrow)
        else:
            place = {text: number for number, text in enumerate(used)}
            translated = np.array([place.get(text, -1) for text in self.texts], dtype=narrow)
            codes = translated[self.codes] if len(self.codes) else np.zeros(0, dtype=narrow)
        categories = pd.CategoricalDtype(pd.Index(list(used), dtype="str"))
        return pd.Series(pd.Categorical.from_codes(cast("Any", codes), dtype=categories, validate=False))

    def text(self) -> pd.Series:
        """Give a plain text column."""
        return pd.Series(pd.array(self.array(pa.large_string()), dtype="str"))

    def array(self, kind: pa.DataType) -> pa.Array:
        """Give an arrow column of plain texts."""
        return pa.array(self.texts, type=kind).take(pa.array(self.codes))


def numbered(columns: Iterable[tuple[npt.NDArray[np.integer[Any]], int]]) -> npt.NDArray[np.int64]:
    """Give each distinct combination of coded columns a number, in the order they appear.

    Parameters
    ----------
    columns : (n,) codes from 0 and how many different ones there may be, of each column.

    Example
    -------
    >>> numbered([(np.array([1, 0, 1, 1]), 2), (np.array([4, 4, 4, 0]), 5)])
    array([0, 1, 0, 2])
    """
    number: npt.NDArray[np.int64] | None = None
    size = 1
    for codes, many in columns:
        if number is not None and size * many > _MOST:
            number, distinct = pd.factorize(number)
            size = len(distinct)
        number = codes.astype(np.int64) if number is None else number * many + codes
        size *= many
    return pd.factorize(number)[0] if number is not None else np.zeros(0, dtype=np.int64)


def first_rows(number: npt.NDArray[np.integer[Any]]) -> npt.NDArray[np.int64]:
    """Give the first row of each number, of rows numbered from 0 without gaps."""
    first = np.zeros(int(number.max(initial=-1)) + 1, dtype=np.int64)
    first[number[::-1]] = np.arange(len(number))[::-1]
    return first


def joined(parts: Sequence[Category]) -> Category:
    """Put categories one after the other."""
    if len(parts) == 1:
        return parts[0]
    texts: list[str] = []
    codes: list[npt.NDArray[np.int32]] = []
    for part in parts:
        codes.append((part.codes + len(texts)).astype(np.int32))
        texts.extend(part.texts)
    return Category(np.concatenate(codes) if codes else np.zeros(0, dtype=np.int32), tuple(texts))


def combined(parts: Sequence[Category], change: Callable[..., str]) -> Category:
    """Compute one text from several, once for each combination that occurs."""
    if not len(parts[0]):
        return Category(np.zeros(0, dtype=np.int32), ())
    varied = [part for part in parts if len(part.texts) > 1]
    if len(varied) <= 1:
        alone = varied[0] if varied else parts[0]
        texts = [part.texts if part is alone else part.texts * len(alone.texts) for part in parts]
        return Category(alone.codes, tuple(change(*row) for row in zip(*texts, strict=True)))
    number = np.zeros(len(parts[0]), dtype=np.int64)
    size = 1
    for part in parts:
        number = number * len(part.texts) + part.codes
        size *= len(part.texts)
        if size > _TABLE_SIZE:
            distinct, number = np.unique(number, return_inverse=True)
            size = len(distinct)
    seen = np.zeros(size, dtype=bool)
    seen[number] = True
    codes = (np.cumsum(seen) - 1)[number].astype(np.int32)
    rows = first_rows(codes).tolist()
    return Category(codes, tuple(change(*(part.texts[part.codes[row]] for part in parts)) for row in rows))
