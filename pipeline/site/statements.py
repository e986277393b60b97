"""What registers, samples and site rows each say is fitted, and the one answer that comes of it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.treat.processes.naming import some_filter, treatment_meant
from pipeline.treat.processes.treatments import TREATMENTS, has_bypass
from pipeline.words import Said

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

# Who is believed, in this order; `asked` is a person who says otherwise for one answer.
REGISTER: Final = "register"
SAMPLE: Final = "sample"
SITE: Final = "site"
MACHINE: Final = "machine"
ASKED: Final = "asked"
POINT: Final = "point"  # "nach Osmose", where nobody else names a treatment
ORDER: Final = (ASKED, REGISTER, SAMPLE, SITE, MACHINE, POINT)

_ALIKE: Final = 0.01  # two figures that differ by less say the same


@dataclass(frozen=True)
class Statement:
    """What one place says is fitted.

    Attributes
    ----------
    said_by : a word of `ORDER`.
    written : the treatment as it was written, "" where the place names none.
    bypass : share of raw water, NaN where not said or impossible.
    litres : a day, NaN where not said or impossible.
    installed_on : day the medium was put in, None where not said.
    label : of the sample that says it.
    """

    said_by: str
    written: str = ""
    bypass: float = math.nan
    litres: float = math.nan
    installed_on: pd.Timestamp | None = None
    label: str = ""

    @property
    def treatment(self) -> str:
        """Name the treatment that is meant, "" where none is named or it is not understood."""
        return treatment_meant(self.written) if self.written else ""

    @property
    def speaker(self) -> Said:
        """Name the place that says it, for a sentence."""
        return Said(f"site.by.{self.said_by}", {"label": self.label})


@dataclass(frozen=True)
class Fitted:
    """What is fitted at a site.

    Attributes
    ----------
    treatment : name of `TREATMENTS`; "none" where nothing is fitted, "" where nobody says or nobody is understood.
    bypass : share of raw water that is recorded, NaN where none is.
    litres : a day, NaN where not known.
    installed_on : day the medium in use was put in, None where not known.
    said_by : who says the treatment, a word of `ORDER`; "" where nobody does.
    written : the treatment as that place wrote it.
    bypass_said_by, litres_said_by : who says the other two.
    notices : what the places say against each other, and what was not understood.
    """

    treatment: str = ""
    bypass: float = math.nan
    litres: float = math.nan
    installed_on: pd.Timestamp | None = None
    said_by: str = ""
    written: str = ""
    bypass_said_by: str = ""
    litres_said_by: str = ""
    notices: tuple[Said, ...] = field(default=())

    @property
    def settings(self) -> Mapping[str, float]:
        """Give what is set, by the names of the treatment."""
        return {} if math.isnan(self.bypass) else {"bypass": self.bypass}


def resolved(statements: Sequence[Statement]) -> Fitted:
    """Make one answer of what the places say: the first that names an understood treatment is believed.

    A bypass counts where its place names the same treatment or none; litres count from whoever says them first.

    Parameters
    ----------
    statements : in any order; the order of preference is `ORDER`, within one place as given.

    Example
    -------
    >>> said = resolved([Statement("site", "softener", litres=90.0), Statement("sample", "decarboniser", 0.3)])
    >>> said.treatment, said.bypass, said.litres, said.said_by, [notice.code for notice in said.notices]
    ('decarboniser', 0.3, 90.0, 'sample', ['site.differs.treatment'])
    """
    ranked = sorted(statements, key=lambda one: ORDER.index(one.said_by))
    named = [one for one in ranked if one.written]
    understood = [one for one in named if one.treatment]
    believed = next(iter(understood), next(iter(named), Statement("")))
    treatment = believed.treatment
    own = [one for one in ranked if not one.written or one.treatment == treatment]
    with_bypass = [one for one in own if not math.isnan(one.bypass)] if has_bypass(treatment) else []
    with_litres = [one for one in ranked if not math.isnan(one.litres)]
    first_bypass, first_litres = next(iter(with_bypass), Statement("")), next(iter(with_litres), Statement(""))
    return Fitted(
        treatment=treatment,
        bypass=first_bypass.bypass,
        litres=first_litres.litres,
        installed_on=next((one.installed_on for one in own if one.installed_on is not None), None),
        said_by=believed.said_by,
        written=believed.written,
        bypass_said_by=first_bypass.said_by,
        litres_said_by=first_litres.said_by,
        notices=(
            *((_by_point(believed),) if believed.said_by == POINT and treatment else ()),
            *(_not_understood(one) for one in named if not one.treatment),
            *(_other_treatment(believed, one) for one in understood if one.treatment != treatment),
            *_against(with_bypass, lambda one: one.bypass, "bypass"),
            *_against([one for one in with_litres if one.said_by != ASKED], lambda one: one.litres, "litres"),
        ),
    )


def _by_point(one: Statement) -> Said:
    return Said("site.by_point", {"text": one.written, "treatment": TREATMENTS[one.treatment].title})


def _not_understood(one: Statement) -> Said:
    code = "site.which_filter" if some_filter(one.written) else "site.not_understood"
    return Said(code, {"by": one.speaker, "text": one.written})


def _other_treatment(believed: Statement, other: Statement) -> Said:
    values = {
        "by": believed.speaker,
        "treatment": TREATMENTS[believed.treatment].title,
        "other_by": other.speaker,
        "other": TREATMENTS[other.treatment].title,
    }
    return Said("site.differs.treatment", values)


def _against(statements: Sequence[Statement], figure: Callable[[Statement], float], name: str) -> list[Said]:
    """Name every figure that is not the one believed."""
    scale = 100.0 if name == "bypass" else 1.0
    return [
        Said(
            f"site.differs.{name}",
            {
                "by": statements[0].speaker,
                "value": scale * figure(statements[0]),
                "other_by": one.speaker,
                "other": scale * figure(one),
            },
        )
        for one in statements[1:]
        if abs(figure(one) - figure(statements[0])) > _ALIKE * max(figure(one), figure(statements[0]))
    ]


def in_place_of(fitted: Fitted, litres: float | None) -> Fitted:
    """Take the litres a day that a person gives for this one answer."""
    return fitted if litres is None else replace(fitted, litres=litres, litres_said_by=ASKED)


def share(text: str) -> float:
    """Read a share of raw water in per cent that a register or a record gives; missing where there is none.

    Example
    -------
    >>> share("30"), share("22,7 %"), share("130")
    (0.3, 0.227, nan)
    """
    percent = _number(text.replace("%", "").replace(",", "."))
    return round(percent / 100.0, 9) if 0.0 <= percent <= 100.0 else math.nan  # noqa: PLR2004 - per cent


def positive(text: str) -> float:
    """Read a number above 0 that a register or a record gives as text; missing where there is none."""
    plain = re.sub(r"[.,' ](?=\d{3}(?!\d))", "", text.strip())  # thousands: nobody counts thousandths of a litre
    value = _number(plain.replace(",", "."))
    return value if 0.0 < value < math.inf else math.nan


@lru_cache(maxsize=4096)
def written_day(text: str) -> pd.Timestamp | None:
    """Read a day that a register gives as text, None where there is none."""
    found = pd.to_datetime(pd.Series([text or None], dtype="str"), errors="coerce", format="ISO8601", utc=True).iloc[0]
    return None if pd.isna(found) else pd.Timestamp(found).tz_localize(None)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
