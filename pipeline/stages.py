"""What the stages of the main job hand to each other, and whom they tell how far they are."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

import pandas as pd

from pipeline.problems import no_problems


class Listener(Protocol):
    """Whoever wants to know how far a run is."""

    def stage(self, name: str, total: int = 0) -> None:
        """Begin a stage of ``total`` steps."""

    def step(self, what: str) -> None:
        """Finish one step of the stage."""


class Silent:
    """A listener that ignores everything."""

    def stage(self, name: str, total: int = 0) -> None:
        """Ignore the stage."""

    def step(self, what: str) -> None:
        """Ignore the step."""


@dataclass(frozen=True)
class FileResult:
    """One file, taken as far as its own content allows.

    Attributes
    ----------
    source : one row of the ledger: `file_sha256 name bytes layout encoding delimiter decimal_mark lines
        entries accepted set_aside status` (`read`, `register`, `known`, `not understood`).
    rows, readings : as ``normalise`` gives them, all sheets one after the other.
    set_aside, notices : problems (PROBLEM_COLUMNS).
    registers : register rows by kind, `sites` or `treatments`.
    """

    source: dict[str, Any]
    rows: pd.DataFrame = field(default_factory=pd.DataFrame)
    readings: pd.DataFrame = field(default_factory=pd.DataFrame)
    set_aside: pd.DataFrame = field(default_factory=no_problems)
    notices: pd.DataFrame = field(default_factory=no_problems)
    registers: dict[str, pd.DataFrame] = field(default_factory=dict)
