"""Conditions of the tables of advice: a quantity compared with a limit, joined by "and" and, weaker, "or"."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np

from pipeline.arrays import floats
from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Collection

    import pandas as pd

    from pipeline.arrays import Flags

_COMPARE: Final = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal, "=": np.equal}
_PARTS: Final = 3  # quantity, comparison, limit


@dataclass(frozen=True)
class Clause:
    """One comparison of the table; the limit is a number or another quantity."""

    quantity: str
    comparison: str
    limit: str

    def holds(self, facts: pd.DataFrame) -> Flags:
        """Tell for (n,) facts; what is not known does not hold."""
        limit = floats(facts[self.limit]) if self.limit in facts else float(self.limit)
        with np.errstate(invalid="ignore"):
            return np.asarray(_COMPARE[self.comparison](floats(facts[self.quantity]), limit), dtype="bool")

    def limit_in(self, facts: pd.DataFrame) -> float:
        """Give the limit as a number, among the facts of one water."""
        return float(facts[self.limit].iloc[0]) if self.limit in facts else float(self.limit)


Groups: TypeAlias = tuple[tuple[Clause, ...], ...]


def conditions_of(text: str, known: Collection[str], where: str) -> Groups:
    """Read a condition.

    Parameters
    ----------
    text : clauses joined by "and", groups of them joined by "or".
    known : quantities a clause may name.
    where : table and row, for the message.

    Raises
    ------
    KettlestoneError : a clause is not "quantity comparison limit", or names what is not known.

    Example
    -------
    >>> conditions_of("ph < 6.8", ["ph"], "a table")
    ((Clause(quantity='ph', comparison='<', limit='6.8'),),)
    """
    groups = [group.split(" and ") for group in text.split(" or ")]
    return tuple(tuple(_clause(clause.split(), known, where) for clause in group) for group in groups)


def _clause(words: list[str], known: Collection[str], where: str) -> Clause:
    said = f'{where}: the condition "{" ".join(words)}"'
    if len(words) != _PARTS or words[1] not in _COMPARE:
        raise KettlestoneError(
            f"{said} is not a quantity, one of {' '.join(_COMPARE)} and a limit, with blanks between.\n"
            "  Nothing was advised."
        )
    unknown = [word for word in (words[0], words[2]) if word not in known and not (word == words[2] and _number(word))]
    if unknown:
        near = difflib.get_close_matches(unknown[0], known, n=3) or sorted(known)
        raise KettlestoneError(
            f'{said} names "{unknown[0]}", which is no quantity of this table.\n'
            f"  Write one of {', '.join(near)}.\n  Nothing was advised."
        )
    return Clause(*words)


def _number(word: str) -> bool:
    try:
        return float(word) == float(word)  # NaN limits nothing
    except ValueError:
        return False


def group_quantities(groups: Groups) -> frozenset[str]:
    """Name the quantities that a condition reads."""
    return frozenset(name for group in groups for clause in group for name in (clause.quantity, clause.limit))


def holds(groups: Groups, facts: pd.DataFrame) -> Flags:
    """Tell for (n,) facts whether any group holds."""
    held = [np.all([clause.holds(facts) for clause in group], axis=0) for group in groups]
    return np.asarray(np.any(held, axis=0), dtype="bool")
