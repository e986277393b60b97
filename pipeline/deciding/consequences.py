"""What comes of an answer beside the decision itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.deciding.answer import Answer
    from pipeline.settings import Settings
    from pipeline.store.database import Store
    from pipeline.store.decide import CorrectedFact


@dataclass(frozen=True)
class Consequences:
    """What comes of an answer.

    Attributes
    ----------
    readings, withdrawn, facts : as ``store.decide.StoredDecision`` has them.
    also : further findings that are answered.
    samples : samples that are to be proved anew.
    detail : what was done, in words.
    analyte, value, unit, basis : the one value that was corrected, if there is only one.
    """

    readings: pd.DataFrame = field(default_factory=pd.DataFrame)
    withdrawn: tuple[int, ...] = ()
    facts: tuple[CorrectedFact, ...] = ()
    also: tuple[int, ...] = ()
    samples: frozenset[str] = frozenset()
    detail: str = ""
    analyte: str = ""
    value: float | None = None
    unit: str = ""
    basis: str = ""


class Answering(NamedTuple):
    """A finding that is being answered.

    ``found`` is its row of view `v_finding`, ``also`` the findings that ask the same, ``samples`` all they are about.
    """

    store: Store
    found: pd.Series
    also: tuple[int, ...]
    samples: tuple[str, ...]
    answer: Answer
    settings: Settings
    now: datetime
