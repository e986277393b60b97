"""The case a piece of advice answers: one water, what is known of it, one machine, one profile."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache, cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, NamedTuple

import pandas as pd

from pipeline.checks.hardness import SOFTENED_WORDS
from pipeline.chemistry.equivalents import HCO3_PER_CACO3, calcium_and_magnesium, hardness_from_ions
from pipeline.chemistry.tds_scales import from_tds_of_unknown_scale
from pipeline.reference import table
from schemas.columns import OPEN, WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.assess.machines import Machine
    from pipeline.assess.profiles import Profile

HARDNESS: Final = "total_hardness_mg_l_caco3"
CALCIUM_HARDNESS: Final = "calcium_hardness_mg_l_caco3"
CONDUCTIVITY: Final = "conductivity_us_cm_25c"
ALKALINITY: Final = "alkalinity_mg_l_caco3"
BOTTLE: Final = "bottle"
HOT_C: Final = 110.0  # a part above it is a steam boiler, a heat exchanger or a thermoblock [CP]
_TELLING: Final = ("well", "soda", "permeate")  # say more than "mains" beside them
_NOT_SOFTENED: Final = ("unsoften", "not soften", "nicht enthärt", "non adouci", "non addolci")


def _no_findings() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype="str") for name in ("check_id", "severity", "analyte")})


class Reach(NamedTuple):
    """What a quantity may be: its reading (missing: none) and the bounds around it (missing: nothing known)."""

    low: float
    value: float
    high: float

    @property
    def known(self) -> bool:
        """Whether anything at all is known."""
        return not math.isnan(self.high)


UNKNOWN: Final = Reach(math.nan, math.nan, math.nan)


@dataclass(frozen=True)
class Case:
    """One water and the machine it is for.

    Attributes
    ----------
    raw : canonical wide values of the water; missing where not measured or below detection.
    uncertainty : expanded uncertainty (k = 2), same names; missing counts as none known.
    verdict : of the record, one of ``schemas.columns.VERDICTS``.
    findings : open findings of the record: ``check_id severity analyte`` (blank-separated quantities).
    stage : where it was drawn; ``bottled`` for a machine that is filled from bottles.
    label : what the water is called, where it comes from bottles.
    machine, profile : what it is for.
    litres_per_day : water the machine takes [L]; missing where not known.
    supply : what the record says of the supply, free text.
    treatment : what is fitted, free text.
    bottled : (m, ...) waters on sale, canonical columns, their names as index.
    low, high : bounds of ``raw``, also of a "<"; by default the uncertainty about the value.
    drain : whether a drain is within reach; None: not known.
    pressure_bar : of the supply [bar]; missing where not known.
    tested : whether a private supply was tested for bacteria and cleared.
    """

    raw: pd.Series[float]
    uncertainty: pd.Series[float]
    verdict: str
    machine: Machine
    profile: Profile
    findings: pd.DataFrame = field(default_factory=_no_findings)
    stage: str = "raw"
    label: str = ""
    litres_per_day: float = math.nan
    supply: str = ""
    treatment: str = ""
    bottled: pd.DataFrame | None = None
    low: pd.Series[float] | None = None
    high: pd.Series[float] | None = None
    drain: bool | None = None
    pressure_bar: float = math.nan
    tested: bool = False

    @property
    def litres(self) -> float:
        """Litres a day: as the site says, else as the machine's profile does."""
        return self.machine.litres_per_day if math.isnan(self.litres_per_day) else self.litres_per_day

    @property
    def reservoir(self) -> bool:
        """Whether the machine is filled by hand."""
        return self.connection in ("reservoir", BOTTLE)

    @property
    def connection(self) -> str:
        """How the water comes to the machine: its connection, or ``bottle``."""
        return BOTTLE if self.stage == "bottled" else self.machine.connection

    @property
    def base(self) -> str:
        """Name of the bottled water that the machine is filled with; "" where it is the tap's."""
        return self.label if self.connection == BOTTLE else ""

    @property
    def hottest_c(self) -> float:
        """Temperature of the hottest metal [°C]; a machine without heated parts counts as cold."""
        return max((part.temperature_c for part in self.machine.parts), default=20.0)

    @property
    def hot(self) -> bool:
        """Whether water is heated under pressure, as espresso machines do and brewers do not."""
        return self.hottest_c >= HOT_C

    @property
    def supply_kind(self) -> str:
        """What the supply is: mains, softened, well, soda, spring, permeate, bottled; "" not known."""
        return "bottled" if self.stage == "bottled" else _supply(self.supply)

    def held(self) -> frozenset[str]:
        """Quantities an open hold or reject names; every deciding one where no finding says which."""
        if self.verdict not in OPEN:
            return frozenset()
        open_rows = self.findings["severity"].isin(OPEN)
        named = self.findings.loc[open_rows, "analyte"].fillna("").astype("str")
        found = frozenset(word for text in named for word in text.split())
        return found or frozenset({"total_hardness", "alkalinity", "conductivity"})

    @cached_property
    def known(self) -> Mapping[str, Reach]:
        """Every canonical column with its reach.

        A "<" has half its limit as value; stand-ins from ions are filled in; `UNKNOWN` where nothing is known.
        """
        value, reach = _wide(self.raw), _wide(self.uncertainty).fillna(0.0)
        own = (reach == 0.0) | value.isna()
        low = _wide(self.low).where(own).fillna(value - reach).clip(lower=0.0)
        high = _wide(self.high).where(own).fillna(value + reach)
        middle = value.fillna((low.fillna(0.0) + high) / 2.0)
        found = pd.DataFrame({"low": low.fillna(0.0).where(high.notna()), "value": middle, "high": high})
        filled = with_stand_ins(_with_conductivity(found).T)
        rows = filled.to_numpy(dtype="float64").T.tolist()
        reached = {str(name): Reach(*row) for name, row in zip(filled.columns, rows, strict=True)}
        return MappingProxyType(reached)


def _with_conductivity(found: pd.DataFrame) -> pd.DataFrame:
    """Bound an unread conductivity by what dissolved solids say on any meter's scale [CP]."""
    solids = found.loc["tds_mg_l"]
    if found.loc[CONDUCTIVITY].notna().any() or solids[["low", "high"]].isna().any():
        return found
    bounds = from_tds_of_unknown_scale(pd.Series([solids["low"], solids["high"]])).to_numpy()
    low, high = float(bounds[0, 0]), float(bounds[1, 1])
    changed = found.copy()
    changed.loc[CONDUCTIVITY] = {"low": low, "value": 0.5 * (low + high), "high": high}
    return changed


def _wide(values: pd.Series[float] | None) -> pd.Series[float]:
    given = pd.Series(dtype="float64") if values is None else values
    return pd.to_numeric(given.reindex(WIDE_COLUMNS)).astype("float64")


def with_stand_ins(frame: pd.DataFrame) -> pd.DataFrame:
    """Fill hardness from calcium with magnesium, alkalinity from bicarbonate, calcium from its hardness.

    Parameters
    ----------
    frame : (n, ...) every canonical column.
    """
    ions = calcium_and_magnesium(frame)
    filled = {str(name): frame[name].fillna(ions[name].clip(lower=0.0)) for name in ions}
    filled[HARDNESS] = frame[HARDNESS].fillna(hardness_from_ions(frame))
    filled[ALKALINITY] = frame[ALKALINITY].fillna(frame["bicarbonate_mg_l"] / HCO3_PER_CACO3)
    return frame.assign(**filled)


def _supply(text: str) -> str:
    small = " ".join(text.casefold().split())
    if any(stem in small for stem in SOFTENED_WORDS) and not any(stem in small for stem in _NOT_SOFTENED):
        return "softened"
    meant = _meant(text, "supply_words", "meaning")
    return next((kind for kind in _TELLING if kind in meant), meant[0] if meant else "")


def drain_of(text: str) -> bool | None:
    """Tell from a comment whether there is a drain: exact words of ``drain_words.csv`` only.

    Parameters
    ----------
    text : comment of a record or a site.

    Returns
    -------
    None where it says nothing, or both.

    Example
    -------
    >>> drain_of("70 L a day, no drain"), drain_of("scarico ok"), drain_of("")
    (False, True, None)
    """
    meant = set(_meant(text, "drain_words", "drain"))
    return "yes" in meant if len(meant) == 1 else None


def yes_or_no(text: str) -> bool | None:
    """Tell what a column of a register says, in the words of ``yes_no_words.csv``; None for any other text.

    Example
    -------
    >>> yes_or_no("Sì"), yes_or_no("nein"), yes_or_no("perhaps")
    (True, False, None)
    """
    meant = _meant(text, "yes_no_words", "meaning")
    return meant[0] == "yes" if meant else None


@cache
def _words(words_table: str, meaning: str) -> dict[str, str]:
    """Read a table of words: text -> what it means."""
    found = table(words_table)
    return dict(zip(found["text"].astype("str"), found[meaning].astype("str"), strict=True))


def _meant(text: str, words_table: str, meaning: str) -> list[str]:
    """Meanings of a text and of its pieces, in order."""
    words = _words(words_table, meaning)
    pieces = [text]
    for mark in ",;/()+.":
        pieces = [*pieces, *(part for piece in pieces for part in piece.split(mark))]
    small = [" ".join(piece.casefold().split()) for piece in pieces]
    return [words[piece] for piece in dict.fromkeys(small) if piece in words]
