"""What the checks know: figures that the relations weigh as well, and what numbers alone cannot tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.explain.priors import priors
from pipeline.explain.record import SECOND
from pipeline.texts import TextColumn
from schemas.columns import OPEN

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags, Places

# True states of a water or its treatment; none of them is a mistake.
STATES: Final = ("softened-water", "soda-water", "source-change", "exhausted-media", "bypass-moved")
MISSING: Final = "missing-ion"  # a gap in the record and no mistake of a reading
INNOCENT: Final = ("no-mistake", *STATES, MISSING)
HELD_BEYOND: Final = "held-beyond"  # a check holds the sample by what no relation here knows
TRIPPED: Final = float(np.log(200.0))  # an honest record trips a check that holds once in so many (k = 3) [JCGM100]
# Checks whose figures the relations, the past and the pair weigh too: of them the weighing is the last word.
_WEIGHED: Final = (
    "alkalinity-forms",
    "conductivity-from-ions",
    "conductivity-vs-alkalinity",
    "conductivity-vs-hardness",
    "factor-ten",
    "hardness-sum",
    "ion-balance",
    "site-history",
    "tds-vs-conductivity",
    "tds-vs-ions",
)
_BOTTLES: Final = "treatment-pattern"  # weighed where it names the quantity
_TWO_READINGS: Final = "readings-disagree"  # weighed where the quantity has a second row


def weighed_elsewhere(findings: pd.DataFrame) -> Flags:
    """Tell the findings whose figures the weighing of the record holds as well: it can acquit of them."""
    check = TextColumn.from_series(findings["check_id"])
    weighed = check.isin(_WEIGHED)
    if "analyte" in findings:
        analyte = TextColumn.from_series(findings["analyte"])
        weighed |= check.isin([_TWO_READINGS]) & analyte.isin(SECOND) | check.isin([_BOTTLES]) & analyte.stated()
    return np.asarray(weighed, dtype="bool")


def seen_by_checks(findings: pd.DataFrame, at: Places, size: int) -> dict[str, Flags]:
    """Give the samples that each check of the priors found something in, and those held by what only a check knows.

    Parameters
    ----------
    findings : (f,) `check_id`, `severity analyte` if known.
    at : (f,) place of each finding's sample, -1 where it is none of them.
    size : number of samples.
    """
    check = TextColumn.from_series(findings["check_id"])
    wanted = {name for names in priors().seen_by for name in names} - {HELD_BEYOND}
    flags = {name: _marked(at[check.isin([name])], size) for name in sorted(wanted)}
    beyond = np.zeros(len(findings), dtype="bool")
    if "severity" in findings:
        beyond = TextColumn.from_series(findings["severity"]).isin(OPEN) & ~weighed_elsewhere(findings)
    return {**flags, HELD_BEYOND: _marked(at[beyond], size)}


def held_by_checks(findings: pd.DataFrame, at: Places, size: int) -> Flags:
    """Tell the samples a check holds; the arguments are those of `seen_by_checks`.

    A person looks at them, and wants to know what comes next to no mistake.
    """
    doubted = np.zeros(size + 1, dtype="bool")
    if "severity" in findings:
        doubted[at[TextColumn.from_series(findings["severity"]).isin(OPEN)]] = True
    return doubted[:-1]


def _marked(at: Places, size: int) -> Flags:
    flags = np.zeros(size + 1, dtype="bool")
    flags[at] = True
    return flags[:-1]
