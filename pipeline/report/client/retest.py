"""Whether what is fitted does its work, for the client's page: the pair of one day, held against its promise."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.report.site_course import gather_site
from pipeline.report.terminal.retest import judged_together
from pipeline.treat.processes.treatments import TREATMENTS
from pipeline.verify.history import history
from pipeline.verify.intervals import Schedule
from pipeline.verify.pair import Visit, verify
from pipeline.verify.series import PERMEATE

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from pipeline.report.dossier import Dossier
    from pipeline.store.database import Store
    from pipeline.verify.outcomes import History
    from pipeline.words import Said

# A page for a client leaves these to its table and to the technician's retest.
_LEFT_OUT: Final = ("verify.not_measured", "verify.bypass.disagree", "verify.differs")
_NO_PAIR: Final = ("", "none", "blend")


def retest_of(dossier: Dossier, today: date, past: History | None = None) -> tuple[Said, ...]:
    """Hold the last raw and treated water of one day against what the treatment promises.

    Parameters
    ----------
    dossier : what the store holds of the site.
    today : a next test that lies before it is not named.
    past : the course of the site through time, which tells causes apart that one pair cannot.

    Returns
    -------
    what to say, the outcome first, the next test last if it lies ahead; nothing without a pair or a known treatment.
    """
    before, after = dossier.pair, dossier.treated
    if before is None or after is None or dossier.treatment in _NO_PAIR or dossier.treatment not in TREATMENTS:
        return ()
    bypass = _share(dossier.register)
    has_bypass = any(setting.name == "bypass" for setting in TREATMENTS[dossier.treatment].settings)
    known = has_bypass and not math.isnan(bypass)
    found = verify(
        before.samples.filled.iloc[0],
        after.samples.filled.iloc[0],
        dossier.treatment,
        {"bypass": bypass} if known else {},
        (before.samples.uncertainty.iloc[0], after.samples.uncertainty.iloc[0]),
        visit=Visit(
            permeate=after.samples.filled.iloc[0] if after.stage in PERMEATE else None,
            before_blending=after.stage in PERMEATE,
            schedule=Schedule(after.day, _day(dossier.register.get("installed_on", ""))),
        ),
    )
    found = found if past is None else judged_together(found, past)
    ahead = found.next_test.on is not None and found.next_test.on.date() >= today
    said = (one for one in found.findings if one.code not in _LEFT_OUT)
    return (*said, found.next_test.said) if ahead else tuple(said)


def course_of(store: Store, dossier: Dossier) -> History | None:
    """Read the course of what is fitted; None where `retest_of` has nothing to say."""
    if dossier.treated is None or dossier.pair is None or dossier.treatment in _NO_PAIR:
        return None
    course = gather_site(store, dossier.site)
    return history(course.samples, course.treatment, course.facts, course.uncertainty)


def _share(register: Mapping[str, str]) -> float:
    text = pd.Series([register.get("bypass_percent", "").replace(",", ".")], dtype="str")
    percent = float(pd.to_numeric(text, errors="coerce").iloc[0])
    return percent / 100.0 if 0.0 <= percent <= 100.0 else math.nan  # noqa: PLR2004 - per cent


def _day(text: str) -> pd.Timestamp | None:
    day = pd.to_datetime(pd.Series([text or None], dtype="str"), errors="coerce", format="ISO8601").iloc[0]
    return None if pd.isna(day) else pd.Timestamp(day)
