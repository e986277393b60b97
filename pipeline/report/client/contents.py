"""Everything a client report says, before it is worded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from pipeline.assess.profiles import Profile
    from pipeline.report.client.water import Water
    from pipeline.report.dossier import Dossier, Visit
    from pipeline.treat.advice import Advice
    from pipeline.words import Said


@dataclass(frozen=True)
class ClientReport:
    """One site on one page.

    Attributes
    ----------
    dossier : what the store holds.
    profile : the water aimed at.
    advice : what to do.
    raw, treated, expected : the waters before and after what is fitted, and with the advice; None where
        there is none, or it is on hold.
    size : what the advice means in litres, days, salt and waste, ready to be said.
    retest : whether what is fitted does its work, ready to be said.
    earlier : the usable raw sample before the one the report is about.
    today : the day of the report.
    softened : the sample before treatment is of a softened tap.
    """

    dossier: Dossier
    profile: Profile
    advice: Advice
    raw: Water | None
    treated: Water | None
    expected: Water | None
    size: tuple[Said, ...]
    retest: tuple[Said, ...]
    earlier: Visit | None
    today: date
    softened: bool = False

    @property
    def now(self) -> Water | None:
        """Give the water that reaches the machine today, as far as it was measured."""
        return self.treated or self.raw

    @property
    def advised(self) -> bool:
        """Say whether there is advice, also on a condition."""
        return self.advice.decision != "cannot advise"
