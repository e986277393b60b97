"""`correct --date --stage --site --point`: what a sample says of itself, put right."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.deciding.answer import FILE
from pipeline.deciding.consequences import Answering, Consequences
from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.store.decide import CorrectedFact
from pipeline.store.facts import TIMES
from pipeline.store.reach import samples_first_in
from pipeline.store.samples import sample_rows
from pipeline.store.site_records import known_sites
from schemas.columns import STAGES

if TYPE_CHECKING:
    from pipeline.deciding.answer import Answer
    from pipeline.settings import Settings
    from pipeline.store.database import Store

_NAMES = {
    "collected_at": "date", "collected_precision": "", "stage": "stage", "client": "client", "site": "site",
    "sampling_point": "sampling point",
}  # fmt: skip


def corrected_facts_of(case: Answering) -> Consequences:
    """List the facts that an answer corrects of the samples it is about.

    Raises
    ------
    KettlestoneError : the date is none, there is no such stage or site, or nothing would change.
    """
    right = _stated(case)
    rows = sample_rows(case.store, _samples(case))
    facts = tuple(
        CorrectedFact(str(sample), name, before, after)
        for name, after in right.items()
        for sample, before in zip(rows["sample_id"], _texts(rows[name], name), strict=True)
        if before != after
    )
    if not facts:
        raise KettlestoneError(f"the sample says so already.\n  {UNCHANGED}")
    told = {
        f"{_NAMES[fact.name]} {_shown(fact.before, fact.name)} → {_shown(fact.after, fact.name)}": None
        for fact in facts
        if _NAMES[fact.name]
    }
    count = len({fact.sample_id for fact in facts})
    detail = ", ".join(told) if len(told) < len(_NAMES) else f"{', '.join(right)} of {count} samples"
    return Consequences(facts=facts, samples=frozenset(fact.sample_id for fact in facts), detail=detail)


def unstated_facts(store: Store, file: str, answer: Answer, settings: Settings, now: datetime) -> Consequences:
    """Give the samples of a file the facts of an answer that the file itself does not state.

    Parameters
    ----------
    store : open.
    file : SHA-256.
    answer : to an earlier file.
    settings, now : of the run.
    """
    rows = sample_rows(store, samples_first_in(store, file))
    found = pd.Series({"client": ""})
    right = _stated(Answering(store, found, (), (), replace(answer, date=""), settings, now))
    place = rows["client"] + rows["site"]
    facts = tuple(
        CorrectedFact(str(sample), name, str(before), after)
        for name, after in right.items()
        for sample, before, stated in zip(
            rows["sample_id"], rows[name], place if name in ("client", "site") else rows[name], strict=True
        )
        if not stated and after != before
    )
    said = ", ".join(f"{_NAMES[name]} {after}" for name, after in right.items())
    return Consequences(facts=facts, samples=frozenset(fact.sample_id for fact in facts), detail=said)


def _samples(case: Answering) -> list[str]:
    if case.samples and case.answer.reach != FILE:
        return list(case.samples)
    return samples_first_in(case.store, str(case.found["file_sha256"]))


def _stated(case: Answering) -> dict[str, str]:
    """Give the columns that are corrected, with what they should say."""
    answer = case.answer
    right: dict[str, str] = {}
    if answer.date:
        right |= _moment(answer.date, case.settings.time_zone)
    if answer.stage:
        right["stage"] = _stage(answer.stage)
    if answer.site:
        right |= _place(case, answer)
    if answer.point:
        right["sampling_point"] = answer.point.strip()
    return right


def _moment(text: str, zone: str) -> dict[str, str]:
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise KettlestoneError(
            f'--date "{text}" is no date.\n  {UNCHANGED}\n  Write it as 2025-03-14, or 2025-03-14T09:30 with the time.'
        ) from error
    exact = "time" if len(text.strip()) > len("2025-03-14") else "day"
    aware = moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone) if exact == "time" else UTC)
    return {"collected_at": f"{aware.astimezone(UTC).replace(tzinfo=None).isoformat()}", "collected_precision": exact}


def _stage(text: str) -> str:
    named = text.strip().casefold().replace(" ", "_")
    if named in STAGES:
        return named
    known = [stage for stage in STAGES if stage]
    raise KettlestoneError(
        f'there is no stage "{text}"{did_you_mean(named, known)}\n  {UNCHANGED}\n  Stages: {", ".join(known)}.'
    )


def _place(case: Answering, answer: Answer) -> dict[str, str]:
    """Read "client / site"; a site alone keeps the client, or has the client that the store knows for it."""
    client, slash, site = (part.strip() for part in answer.site.partition("/"))
    if slash:
        return {"client": client, "site": site}
    owners = [known for known in known_sites(case.store) if known.site.casefold() == client.casefold()]
    own = [known for known in owners if known.client == case.found["client"]]
    if owners and (own or len(owners) == 1):
        chosen = (own or owners)[0]
        return {"client": chosen.client, "site": chosen.site}
    known = [place.name for place in known_sites(case.store)]
    raise KettlestoneError(
        f'"{answer.site}" is not one site of the store{did_you_mean(answer.site, known)}\n  {UNCHANGED}\n'
        '  Write it as "client / site".'
    )


def _texts(column: pd.Series, name: str) -> list[str]:
    if name in TIMES:
        return ["" if pd.isna(moment) else pd.Timestamp(moment).isoformat() for moment in column]
    return column.astype("str").tolist()


def _shown(text: str, name: str) -> str:
    return (text.removesuffix("T00:00:00") if name in TIMES else text) or "not stated"
