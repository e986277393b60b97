"""What a batch leaves in the store: its name, its frames and what they must hold."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.problems import messages
from schemas.stored import ELSEWHERE, FRAMES, NEEDED

if TYPE_CHECKING:
    from collections.abc import Iterable

_KEYS: Final = {"samples": "sample_id", "source_files": "file_sha256"}


def new_batch_id(started_at: datetime, contents: Iterable[str], occasion: str = "") -> str:
    """Name a batch: a time that sorts, four letters of what is in it, and the occasion where there is one.

    Example
    -------
    >>> from datetime import UTC, datetime
    >>> new_batch_id(datetime(2026, 3, 5, 14, 7, 9, tzinfo=UTC), ["abc"], "decision-1")
    '20260305T140709-ba78-decision-1'
    """
    content = hashlib.sha256("".join(contents).encode()).hexdigest()[:4]
    return "-".join(part for part in (f"{utc(started_at):%Y%m%dT%H%M%S}", content, occasion) if part)


def utc(time: datetime | str) -> datetime:
    """Return the time in UTC without a zone, as the store keeps it."""
    moment = datetime.fromisoformat(time) if isinstance(time, str) else time
    return moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else moment


def ready(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Leave out what is held elsewhere and put in what the frame means by its index or code."""
    if name == "samples" and "sample_id" not in frame and frame.index.name == "sample_id":
        frame = frame.reset_index()
    frame = frame.drop(columns=list(ELSEWHERE.get(name, ())), errors="ignore")
    if name in ("set_aside", "notices") and "message" not in frame and len(frame):
        return frame.assign(message=messages(frame))
    return frame


def check_frame(name: str, frame: pd.DataFrame) -> None:
    """Refuse a frame that lacks a column, has a row twice, or holds what its contract forbids.

    Readings were held against their own contract when they were read.
    """
    from schemas.contracts import breaches  # noqa: PLC0415 - pandera takes as long to import as a question to answer

    if frame.empty:
        return
    if absent := [column for column in NEEDED[name] if column not in frame]:
        raise ValueError(f"{name} lacks the columns {', '.join(absent)}")
    keys = frame[_KEYS[name]] if name in _KEYS else pd.Series(dtype="str")
    if twice := sorted(set(keys[keys.duplicated() & (keys != "")])):
        raise ValueError(f"{name} has {keys.name} {twice[0]} twice")
    if name != "readings" and (found := breaches(FRAMES[name], frame)):
        raise ValueError(f"{name} breaks its contract: {'; '.join(found)}")
