"""Answer to `history`: what happened to a sample, or since a day, and who decided it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.report.judgement import finding_said
from pipeline.report.sentences import decimal_marks, other_language, quantity_said
from pipeline.store.database import Store
from pipeline.store.events import events
from pipeline.store.samples import find_sample
from pipeline.words.labels import counted_in, label_in, plural_in
from schemas.columns import SEVERITIES

if TYPE_CHECKING:
    from pipeline.settings import Settings

_DAYS: Final = {"today": 0, "yesterday": 1}
_SHOWN: Final = 400


def list_events(settings: Settings, sample: str | None, since: str | None, now: datetime) -> pd.DataFrame:
    """Look up what happened.

    Parameters
    ----------
    settings : where the store is, and the time zone of days.
    sample : identifier or label; None = all.
    since : a day, `today` or `yesterday`; None = from the beginning.
    now : UTC.

    Raises
    ------
    KettlestoneError : no store, no such sample, or ``since`` is no day.
    """
    moment = _moment(since, settings.time_zone, now) if since else None
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found = events(store, sample_id=find_sample(store, sample) if sample else None, since=moment)
        return events_said(store, found, settings.language)


def events_said(store: Store, found: pd.DataFrame, language: str) -> pd.DataFrame:
    """Say events in the language of the reader: findings by their numbers, corrections with their quantities.

    Parameters
    ----------
    store : open.
    found : of ``store.events.events``.
    language : of the reader.
    """
    if not other_language(language):
        return found
    raised = found["event"].isin(SEVERITIES)
    numbers = found.loc[raised, "finding_id"].dropna().astype("int64").unique().tolist()
    rows = store.connection.execute("SELECT * FROM v_finding WHERE list_contains(?, finding_id)", [numbers]).df()
    said = {
        int(row["finding_id"]): f"{finding_said(row, language)}  [{row['check_id']}]" for row in rows.to_dict("records")
    }
    details = [
        said.get(int(number), detail) if own else _detail_said(event, detail, language)
        for own, event, number, detail in zip(
            raised, found["event"], found["finding_id"].fillna(0), found["detail"], strict=True
        )
    ]
    return found.assign(detail=pd.Series(details, index=found.index, dtype="str"))


def _detail_said(event: str, detail: str, language: str) -> str:
    """Say what an event was about; of an answer its corrections tell it, line by line."""
    if event == "taken in":
        where, _, count = detail.rpartition(", ")
        return f"{where}, {counted_in(int(count.partition(' ')[0]), 'reading', language)}"
    if event == "corrected":
        name, _, change = detail.partition(" ")
        return decimal_marks(f"{label_in(quantity_said(name, language), language)} {change}", language)
    return detail if event == "withdrawn" else ""


def _moment(text: str, zone: str, now: datetime) -> datetime:
    named = text.strip().casefold()
    here = ZoneInfo(zone)
    if named in _DAYS:
        day = now.astimezone(here).replace(hour=0, minute=0, second=0, microsecond=0)
        return (day - timedelta(days=_DAYS[named])).astimezone(UTC)
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise KettlestoneError(
            f'--since "{text}" is no day.\n  {UNCHANGED}\n  Write it as 2025-03-14, today or yesterday.'
        ) from error
    return (moment if moment.tzinfo else moment.replace(tzinfo=here)).astimezone(UTC)


def events_text(found: pd.DataFrame, sample: str | None, since: str | None, zone: str, language: str = "en") -> str:
    """Word what happened, moment by moment; equal events of many samples are told once, with their number."""
    if found.empty:
        about = f" to {sample}" if sample else ""
        nothing = f"Nothing happened{about}{f' since {since}' if since else ''}."
        return label_in("Nothing happened since then.", language) if other_language(language) else nothing
    lines: list[str] = []
    told = 0
    rows = found.head(_SHOWN).to_dict("records")
    for at, together in groupby(rows, key=lambda row: row["at"]):
        lines.append(f"{pd.Timestamp(at).tz_localize('UTC').tz_convert(zone):%Y-%m-%d %H:%M}")
        for _, alike in groupby(together, key=_alike):
            own = list(alike)
            lines += _lines(own, language, alone=sample is not None)
            told += len(own)
    rest = len(found) - told
    more = label_in("{n} more events; --format csv gives all of them.", language, n=rest)
    return "\n".join([*lines, *([more] if rest else [])])


def _alike(row: dict[Any, Any]) -> tuple[Any, ...]:
    """Tell events that are one to a person: the same answer, or files taken in together."""
    several = row["event"] == "taken in" or not pd.isna(row["decision_id"])
    mark = row["detail"] if row["event"] in ("corrected", "withdrawn") else ""
    return row["event"], row["decision_id"] if several else row["finding_id"], mark, row["state"]


def _lines(own: list[dict[Any, Any]], language: str, *, alone: bool) -> list[str]:
    first = own[0]
    named = "" if alone else f"{_about(own, language)}: "
    who = f", {label_in('by {name}', language, name=first['who'])}" if first["who"] and first["why"] else ""
    number = (
        "" if pd.isna(first["finding_id"]) else f" {label_in('(finding {n})', language, n=int(first['finding_id']))}"
    )
    back = f"; {label_in('taken back since', language)}" if first["state"] == "taken back" else ""
    detail = first["detail"] if len(own) == 1 or first["event"] != "taken in" else ""
    said = f"  {named}{label_in(first['event'], language)}{number}{who}{back}"
    lines = [f"{said}: {detail}" if detail else said]
    if first["why"]:
        lines.append(f"      {label_in('why: {why}', language, why=first['why'])}")
    return lines


def _about(own: list[dict[Any, Any]], language: str) -> str:
    names = list(dict.fromkeys(row["called"] or label_in("the whole file", language) for row in own))
    if len(names) == 1:
        return str(names[0])
    one, many = "{first} and {n} more sample", "{first} and {n} more samples"
    return plural_in(len(names) - 1, one, many, language, first=names[0])
