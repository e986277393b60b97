"""Answer to `history`: what happened to a sample, or since a day, and who decided it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.report.wording import counted
from pipeline.store.database import Store
from pipeline.store.events import events
from pipeline.store.samples import find_sample

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
        return events(store, sample_id=find_sample(store, sample) if sample else None, since=moment)


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


def events_text(found: pd.DataFrame, sample: str | None, since: str | None, zone: str) -> str:
    """Word what happened, moment by moment; equal events of many samples are told once, with their number."""
    if found.empty:
        about = f" to {sample}" if sample else ""
        return f"Nothing happened{about}{f' since {since}' if since else ''}."
    lines: list[str] = []
    told = 0
    rows = found.head(_SHOWN).to_dict("records")
    for at, together in groupby(rows, key=lambda row: row["at"]):
        lines.append(f"{pd.Timestamp(at).tz_localize('UTC').tz_convert(zone):%Y-%m-%d %H:%M}")
        for _, alike in groupby(together, key=_alike):
            own = list(alike)
            lines += _lines(own, alone=sample is not None)
            told += len(own)
    rest = len(found) - told
    return "\n".join([*lines, *([f"{rest} more events; --format csv gives all of them."] if rest else [])])


def _alike(row: dict[Any, Any]) -> tuple[Any, ...]:
    """Tell events that are one to a person: the same answer, or files taken in together."""
    several = row["event"] == "taken in" or not pd.isna(row["decision_id"])
    mark = row["detail"] if row["event"] in ("corrected", "withdrawn") else ""
    return row["event"], row["decision_id"] if several else row["finding_id"], mark, row["state"]


def _lines(own: list[dict[Any, Any]], *, alone: bool) -> list[str]:
    first = own[0]
    named = "" if alone else f"{_about(own)}: "
    who = f", by {first['who']}" if first["who"] and first["why"] else ""
    number = "" if pd.isna(first["finding_id"]) else f" (finding {first['finding_id']:.0f})"
    back = "; taken back since" if first["state"] == "taken back" else ""
    detail = first["detail"] if len(own) == 1 or first["event"] != "taken in" else ""
    said = f"  {named}{first['event']}{number}{who}{back}"
    lines = [f"{said}: {detail}" if detail else said]
    if first["why"]:
        lines.append(f"      why: {first['why']}")
    return lines


def _about(own: list[dict[Any, Any]]) -> str:
    names = list(dict.fromkeys(row["called"] or "the whole file" for row in own))
    return names[0] if len(names) == 1 else f"{names[0]} and {counted(len(names) - 1, 'more sample')}"
