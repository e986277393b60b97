"""What an intake was, for the journal: its files by name and hash, and whatever else decided what came of them."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from pipeline.store.journal import Change

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from pipeline.asking.ask import Answers
    from pipeline.gathering import Gathered
    from pipeline.ingest.layouts import Layout
    from pipeline.settings import Settings

_FILE: Final = ["file_sha256", "name", "bytes", "status"]
_REMARK: Final = ["name", "problem", "line", "column", "raw_text", "detail"]


def what_is_given(answers: Answers, layouts: Sequence[Layout]) -> dict[str, Any]:
    """List what a run was given beside its files: answers, and layouts of one's own."""
    return {
        "answers": [asdict(answer) for answer in answers.given],
        "by": answers.by,
        "layouts": [layout.stated for layout in layouts if layout.stated],
    }


def intake_change(gathered: Gathered, given: dict[str, Any], settings: Settings, started: datetime) -> Change:
    """Put everything together by which an intake can be done again from the archive.

    Parameters
    ----------
    gathered : its files; of those whose bytes are not in the archive the remarks are kept.
    given : of ``what_is_given``.
    settings : of the run.
    started : when it began, UTC.
    """
    notices = gathered.notices
    lost = notices[(notices["file_sha256"].astype("str") == "").to_numpy()]
    remarks = lost[_REMARK].astype({"line": "int64"}).astype("object").to_dict("records")
    return Change(
        "intake",
        {
            **given,
            "started": started.isoformat(),
            "settings": settings.plain(),
            "files": gathered.files[_FILE].astype("object").to_dict("records"),
            "unread": remarks,
        },
    )
