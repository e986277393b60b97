"""Answer to `findings`: what waits, with its number, by sample or by client."""

from __future__ import annotations

import io
import shutil
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
from rich.table import Table
from rich.text import Text

from pipeline.report.judgement import finding_said
from pipeline.report.sentences import WORDED
from pipeline.report.terminal.screen import Screen
from pipeline.report.wording import SIGNS, VERDICT_WORDS
from pipeline.store.database import Store
from pipeline.store.findings import findings, known_batch, known_check, known_file
from pipeline.store.samples import find_sample
from pipeline.words.labels import counted_in, label_in, plural_in, spoken

if TYPE_CHECKING:
    from pipeline.settings import Settings

ANSWER, REPEAT = "answer", "repeat"
WAITING_FOR: Final = (REPEAT, ANSWER)
_SHOWN: Final = 200
_COLUMNS: Final = [
    "finding_id", "current_severity", "severity", "check_id", "sample_id", "called", "label", "client", "site",
    "analyte", "observed", "low", "high", "unit", "message", "decision", "decided_by", "decided_at", "why", "detail",
    "batch_id", "file", "line", "waits_for",
]  # fmt: skip
_OF_SAMPLE: Final = ["client", "site", "label", "sample_id", "file"]


@dataclass(frozen=True)
class FindingsWanted:
    """Which findings are wanted; None = any.

    Attributes
    ----------
    sample, check_id, batch_id, file_name : as typed.
    everything : notes and settled findings too.
    waiting_for : `repeat` (a reading was asked for again) or `answer`.
    """

    sample: str | None = None
    check_id: str | None = None
    batch_id: str | None = None
    file_name: str | None = None
    everything: bool = False
    waiting_for: str | None = None

    @property
    def narrowed(self) -> bool:
        """Tell whether only some of the findings are wanted."""
        return any((self.sample, self.check_id, self.batch_id, self.file_name))


def list_findings(settings: Settings, asked: FindingsWanted, *, by_client: bool = False) -> pd.DataFrame:
    """Look up findings, the worst first and those of one sample together.

    Parameters
    ----------
    settings : where the store is.
    asked : which of them.
    by_client : in the order of clients and sites.

    Raises
    ------
    KettlestoneError : no store, no such sample, check, batch or file, or several with that name.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found = listed_findings(store, asked, by_client=by_client)
    if settings.language in WORDED[1:]:
        said = [finding_said(row, settings.language) for row in found.to_dict("records")]
        found = found.assign(message=pd.Series(said, index=found.index, dtype="str"))
    return found[_COLUMNS]


def listed_findings(store: Store, asked: FindingsWanted, *, by_client: bool = False) -> pd.DataFrame:
    """Look up findings in an open store, all columns of `v_finding`; else as ``list_findings``."""
    sample_id = find_sample(store, asked.sample) if asked.sample else None
    check_id = known_check(store, asked.check_id) if asked.check_id else None
    batch_id = known_batch(store, asked.batch_id) if asked.batch_id else None
    file_sha256 = known_file(store, asked.file_name) if asked.file_name else None
    found = findings(store, batch_id=batch_id, sample_id=sample_id, check_id=check_id, current=False)
    # What was decided stays listed with --all, also where the sample was checked anew since.
    kept = found["is_current"] | (found["decision"].notna() & asked.everything) | (batch_id is not None)
    if file_sha256:
        kept &= found["file_sha256"] == file_sha256
    found = found[kept.astype("bool")]
    if asked.waiting_for:
        found = found[found["waits_for"] == asked.waiting_for]
    elif not asked.everything:
        found = found[found["waits_for"] != ""]
    return _in_order(found, by_client=by_client)


def _in_order(found: pd.DataFrame, *, by_client: bool) -> pd.DataFrame:
    """Put whole sources first, then the samples, each with its worst finding first."""
    whole = found["sample_id"].isna()
    first = found.groupby(found["sample_id"].fillna(found["file"].fillna(""))).cumcount() == 0
    place = pd.Series(range(len(found)), index=found.index).where(first)
    leader = place.groupby(found["sample_id"].fillna(found["file"].fillna(""))).transform("first")
    keys = {"whole": ~whole, "leader": leader}
    names = ["whole", "leader"]
    if by_client:
        keys |= {"a": found["client"].fillna(""), "b": found["site"].fillna("")}
        names = ["whole", "a", "b", "leader"]
    return found.assign(**keys).sort_values(names, kind="stable").drop(columns=names)


def findings_text(found: pd.DataFrame, asked: FindingsWanted, *, by_client: bool = False, language: str = "en") -> str:
    """Word findings as a table with their numbers, sample by sample."""
    if found.empty:
        return label_in(_nothing(asked), language)
    width = shutil.get_terminal_size((100, 24)).columns
    printed = io.StringIO()
    screen = Screen(file=printed, width=width, color_system=None)
    table = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
    table.add_column(label_in("No.", language), justify="right")
    table.add_column("", width=8 if spoken(language) == "en" else 12)
    table.add_column(label_in("Finding", language), overflow="fold", ratio=1)
    shown = found.head(_SHOWN).to_dict("records")
    client = None
    for _, rows in groupby(shown, key=lambda row: tuple(_text(row[name]) for name in _OF_SAMPLE)):
        own = list(rows)
        if by_client and (own[0]["client"], own[0]["site"]) != client:
            client = own[0]["client"], own[0]["site"]
            place = " / ".join(_text(part) for part in client if _text(part)) or label_in(
                "No client or site named", language
            )
            table.add_row("", "", Text(place, style="bold"))
        table.add_row("", "", Text(_sample(own[0], language, by_client=by_client), style="bold"))
        for row in own:
            table.add_row(str(row["finding_id"]), _severity(row, language), Text(_finding(row, language)))
    screen.print(table)
    if len(found) > _SHOWN:
        more = "{n} more findings; --format csv or json gives all of them."
        screen.print(label_in(more, language, n=len(found) - _SHOWN))
    screen.print(_how_to_answer(found, language))
    return "\n".join(line.rstrip() for line in printed.getvalue().splitlines())


def _sample(row: dict[Any, Any], language: str, *, by_client: bool) -> str:
    if not _text(row["sample_id"]):
        return label_in("the whole of {file}", language, file=_text(row["file"]))
    place = "" if by_client else " · ".join(part for part in (_text(row["client"]), _text(row["site"])) if part)
    cell = f"{_text(row['file'])}:{row['line']:.0f}" if not pd.isna(row["line"]) else _text(row["file"])
    named = _text(row["called"])
    return "  ".join(part for part in (named, place, cell) if part)


def _severity(row: dict[Any, Any], language: str) -> Text:
    severity = str(row["current_severity"])
    return Text(f"{SIGNS[severity]} {label_in(VERDICT_WORDS[severity], language)}")


def _finding(row: dict[Any, Any], language: str) -> str:
    said = f"{row['message']}  [{row['check_id']}]"
    if not _text(row["decision"]):
        return said
    detail = f" ({row['detail']})" if _text(row["detail"]) else ""
    day = f", {row['decided_at']:%Y-%m-%d}"
    return f"{said}\n→ {label_in(row['decision'], language)}{detail}, {row['decided_by']}{day}: {row['why']}"


def _how_to_answer(found: pd.DataFrame, language: str) -> str:
    found = found[found["waits_for"] != ""]
    waits = len(found)
    samples, files = int(found["sample_id"].nunique()), int(found.loc[found["sample_id"].isna(), "file"].nunique())
    parts = [counted_in(number, noun, language) for number, noun in ((files, "file"), (samples, "sample")) if number]
    if not waits:
        return label_in("No finding waits for an answer.", language)
    about = label_in(" and ", language).join(parts)
    one, many = "{n} finding waits ({about}).", "{n} findings wait ({about})."
    said = plural_in(waits, one, many, language, about=about)
    how = label_in("kettlestone decide NUMBER accept|take|repeat|reject|correct --why …", language)
    return f"{said} {how}"


def _nothing(asked: FindingsWanted) -> str:
    if asked.waiting_for == REPEAT:
        return "No reading was asked for again that has not come."
    if asked.everything:
        return "No finding was ever raised here." if asked.narrowed else "The store has no findings."
    where = " there" if asked.narrowed else ""
    return f"No finding waits for an answer{where}; --all lists notes and settled ones too."


def _text(value: str | float | None) -> str:
    return "" if pd.isna(value) else str(value)
