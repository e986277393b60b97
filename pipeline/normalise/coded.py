"""A column of texts in which many rows say the same: each text once, and which one every row has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from collections.abc import Iterable

    import numpy.typing as npt

    from pipeline.arrays import Codes, Flags


@dataclass(frozen=True)
class Coded:
    """Texts of (n,) rows; whatever is asked of a text is asked once, however many rows have it.

    Attributes
    ----------
    code : (n,) place in ``texts`` of what each row says.
    texts : the different texts; "" is one of them where some row says nothing.
    """

    code: Codes
    texts: tuple[str, ...]

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.code)

    def isin(self, wanted: Iterable[str]) -> Flags:
        """Tell which rows say one of the wanted texts."""
        named = frozenset(wanted)
        return np.array([text in named for text in self.texts], dtype="bool")[self.code]

    def stated(self) -> Flags:
        """Tell which rows say anything."""
        return np.array([bool(text) for text in self.texts], dtype="bool")[self.code]

    def mentions(self, pattern: str) -> Flags:
        """Tell which rows contain a regular expression, whatever the case of their letters."""
        lower = pc.utf8_lower(pa.array(self.texts, pa.string()))
        found = pc.match_substring_regex(lower, pattern).to_numpy(zero_copy_only=False)
        return np.asarray(found, dtype="bool")[self.code]

    def lengths(self) -> npt.NDArray[np.int64]:
        """Count the characters of every row."""
        return np.array([len(text) for text in self.texts], dtype="int64")[self.code]

    def plain(self) -> Coded:
        """Take away outer blanks and the case of the letters."""
        return Coded(self.code, tuple(text.strip().lower() for text in self.texts))

    def instead_of_nothing(self, words: str) -> Coded:
        """Put words where a row says nothing."""
        return Coded(self.code, tuple(text or words for text in self.texts))

    def in_order(self) -> Coded:
        """Give the texts numbers that follow the alphabet."""
        order = sorted(range(len(self.texts)), key=self.texts.__getitem__)
        return Coded(np.argsort(order)[self.code], tuple(self.texts[place] for place in order))

    def take(self, rows: npt.NDArray[np.integer[Any] | np.bool_]) -> Coded:
        """Keep some rows, by place or by truth value."""
        return Coded(self.code[rows], self.texts)

    def followed_by(self, other: Coded) -> Coded:
        """Lay other rows under these."""
        place = {text: at for at, text in enumerate(dict.fromkeys((*self.texts, *other.texts)))}
        own, moved = (np.array([place[text] for text in part.texts], dtype="int64") for part in (self, other))
        return Coded(np.append(own[self.code], moved[other.code]), tuple(place))

    def tolist(self) -> list[str]:
        """Write every row out as Python texts."""
        return [self.texts[code] for code in self.code.tolist()]

    def series(self, index: pd.Index) -> pd.Series[str]:
        """Write every row out under an index."""
        return pd.Series(pd.array(list(self.texts), dtype="str").take(self.code), index=index)


def coded(column: pd.Series) -> Coded:
    """Give each different text of a column a number; what is missing says ""."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        if len(column.cat.categories) > len(column):  # a part of a longer column says less than all of it
            column = column.cat.remove_unused_categories()
        code, known = column.cat.codes.to_numpy(), column.cat.categories
    else:
        code, known = pd.factorize(column)
    texts = tuple(pd.Index(known).astype("str").tolist())
    if not len(code) or code.min() >= 0:
        return Coded(code, texts)
    empty = texts.index("") if "" in texts else len(texts)
    return Coded(np.where(code < 0, empty, code), texts if "" in texts else (*texts, ""))


def silent(rows: int) -> Coded:
    """Give a column in which no row says anything."""
    return Coded(np.zeros(rows, dtype="int8"), ("",))
