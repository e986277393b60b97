"""What can hurt someone: which cautions belong to a piece of advice."""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.reference import table
from pipeline.treat.choosing.case import ALKALINITY, HOT_C
from pipeline.treat.choosing.conditions import Groups, conditions_of, holds
from pipeline.treat.processes.trains import stages_of
from pipeline.words import Said

if TYPE_CHECKING:
    from pipeline.assess.machines import Machine
    from pipeline.treat.advice import Advice, Range

CAUTION_LEVELS: Final = ("danger", "warning", "notice")
# Which facts a treatment makes true.
_MEDIA: Final = (
    "decarboniser", "buffered decarboniser", "softener", "magnesium exchanger", "demineraliser", "calcite contact",
    "carbon", "resin bag", "tank cartridge", "jug", "remineraliser",
)  # fmt: skip
_UNBUFFERED: Final = ("9", "9b", "10")  # rows of waters that have little alkalinity as they come
_FACTS: Final = {
    "media": _MEDIA,
    "membrane": ("reverse osmosis",),
    "pure": ("reverse osmosis", "demineraliser"),
    "sodium_exchange": ("softener", "softener bypass", "unsoftened tap"),
    "brine": ("softener",),
    "dosed": ("salt dosing", "blend"),
    "acid": ("decarboniser",),
}


@cache
def severities() -> dict[str, str]:
    """Give the severity of every caution by its code: danger, warning or notice.

    Example
    -------
    >>> severities()["caution.pressure"]
    'danger'
    """
    rows = table("cautions")
    return dict(zip(rows["code"].astype("str"), rows["severity"].astype("str"), strict=True))


@cache
def own_cautions() -> frozenset[str]:
    """Give the codes of the cautions that concern one site, its water and its machine, and not every site."""
    rows = table("cautions")
    return frozenset(rows.loc[rows["own"] == "yes", "code"].astype("str"))


def cautions_for(advice: Advice, machine: Machine, *, proved: bool = True) -> tuple[Said, ...]:
    """Choose the cautions that belong to a piece of advice, the gravest first.

    Parameters
    ----------
    advice : decision, treatment and what it predicts.
    machine : its heat, metals and connection.
    proved : whether any two readings of the water could be compared.

    Returns
    -------
    a caution each; never empty: what the advice is not, and what goes before it, is always said. Where a figure
    is not known and the caution hangs on it, it is said.
    """
    facts = _facts(advice, machine, proved=proved)
    said = [
        (CAUTION_LEVELS.index(severity), place, Said(code))
        for place, (code, severity, groups) in enumerate(_rows(tuple(str(name) for name in facts)))
        if holds(groups, facts)[0]
    ]
    return tuple(caution for _, _, caution in sorted(said, key=lambda entry: entry[:2]))


@cache
def _rows(known: tuple[str, ...]) -> tuple[tuple[str, str, Groups], ...]:
    """Give code, severity and condition of every caution."""
    return tuple(
        (str(row["code"]), str(row["severity"]), conditions_of(str(row["when"]), known, f"cautions.csv, {row['code']}"))
        for row in table("cautions").to_dict("records")
    )


def _facts(advice: Advice, machine: Machine, *, proved: bool) -> pd.DataFrame:
    treatments = set(stages_of(advice.treatment)) - {"", "none"}
    named = {f"{name}": float(bool(treatments & set(own))) for name, own in _FACTS.items()}
    predicted = advice.predicted
    scales = [name for name in predicted if name.startswith("scale_") and name.endswith("_l")]
    scale = max((_most(predicted[name]) for name in scales), default=math.inf)
    hottest = max((part.temperature_c for part in machine.parts), default=0.0)
    return pd.DataFrame(
        [
            {
                "always": 1.0,
                "unproved": float(not proved),
                **named,
                "treated": float(bool(treatments)),
                "health": float(advice.row == "1"),
                "unbuffered": float(advice.row in _UNBUFFERED),
                "hot": float(hottest >= HOT_C),
                "scale": scale,
                "aluminium": float("aluminium" in machine.metals),
                "plumbed": float(machine.connection != "reservoir"),
                "reservoir": float(machine.connection == "reservoir"),
                "alkalinity": _least(predicted[ALKALINITY]) if ALKALINITY in predicted else -math.inf,
                "ph": _least(predicted["ph"]) if "ph" in predicted else math.inf,
                "sodium": _most(predicted["sodium_mg_l"]) if "sodium_mg_l" in predicted else -math.inf,
            }
        ]
    )


def _least(own: Range) -> float:
    return -math.inf if math.isnan(own.low) else own.low


def _most(own: Range) -> float:
    return math.inf if math.isnan(own.high) else own.high
