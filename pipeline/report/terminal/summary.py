"""The summary in the terminal: counts, the worst first, and where the rest is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.report.causes import NOTHING, OPEN_END
from pipeline.report.causes import cause_line as headline_of
from pipeline.report.wording import SIGNS, VERDICT_WORDS, batch_headline, controls, counted

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

_TOP: Final = 20
_KINDS: Final = 5
_WHOLE_FILE: Final = ("file-not-understood", "file-empty", "file-unreadable", "file-too-large")
_STYLES: Final = {"ok": "green", "unjudged": "magenta", "note": "blue", "hold": "yellow", "reject": "red"}


def show_summary(summary: Mapping[str, Any], folder: Path, console: Console | None = None) -> None:
    """Print the summary of a batch.

    Parameters
    ----------
    summary : as ``report.summary.summarise`` gives it.
    folder : where the files of the batch are.
    console : for tests; default standard output.
    """
    screen = console or Console()
    samples, entries = summary["samples"], summary["entries"]
    screen.print(Text(batch_headline(summary), style="bold"))
    screen.print(
        f"{counted(entries['read'], 'entry', 'entries')} read = {entries['accepted']} accepted"
        f" + {entries['set_aside']} set aside, from {counted(len(summary['files']), 'file')}"
    )
    screen.print(Text("   ").join(_word(word, samples[word]) for word in SIGNS))
    if said := controls(summary):
        screen.print(said)
    _waiting(screen, summary["coverage"]["waiting"])
    for pattern in summary["patterns"][:_TOP]:
        screen.print(Text("one mistake, many rows ", "bold"), end="")
        sure = f" ({pattern['words']})" if pattern["words"] else ""
        screen.print(Text(f"{pattern['message']}{sure}  {pattern['file']}"))
    for finding in summary["source_findings"][:_TOP]:
        screen.print(Text(f"{SIGNS[finding['severity']]} {finding['severity']} ", _STYLES[finding["severity"]]), end="")
        screen.print(Text(f"{finding['message']}  {finding['file']}"))
    if summary["attention"]["listed"]:
        screen.print(_worst(summary["attention"]["listed"]))
    rest = summary["attention"]["total"] - min(_TOP, len(summary["attention"]["listed"]))
    if rest > 0:
        screen.print(f"{counted(rest, 'more sample')} with findings: {folder / 'findings.csv'}")
    _problems(screen, summary)
    screen.print(Text(f"Page to read or print: {folder / 'summary.html'}"))


def _word(word: str, count: int) -> Text:
    return Text(f"{SIGNS[word]} {count} {VERDICT_WORDS[word]}", style=_STYLES[word] if count else "dim")


def _worst(listed: list[dict[str, Any]]) -> Table:
    table = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
    for heading, width in (("", 8), ("sample", 24), ("where", 22), ("finding", None)):
        table.add_column(heading, overflow="fold", max_width=width)
    for sample in listed[:_TOP]:
        worst = sample["findings"][0] if sample["findings"] else {"message": "", "check_id": ""}
        more = len(sample["findings"]) - 1
        place = " · ".join(part for part in (sample["client"], sample["site"]) if part)
        table.add_row(
            Text(f"{SIGNS[sample['verdict']]} {sample['verdict']}", style=_STYLES[sample["verdict"]]),
            Text(sample["called"]),
            Text(place),
            _finding(worst["message"] + (f"  (+{more} more)" if more else ""), sample["explanation"]),
        )
    return table


def _finding(message: str, explanation: Mapping[str, Any] | None) -> Text:
    """Give the worst finding, and under it what most likely happened."""
    text = Text(message)
    if explanation and explanation["causes"][0]["mistake"] not in (NOTHING, OPEN_END) and not explanation["pattern"]:
        text.append(f"\n→ {headline_of(explanation['causes'][0])}", "bold")
    return text


def _problems(screen: Console, summary: Mapping[str, Any]) -> None:
    """List files that were not understood, then a few kinds of the other problems."""
    unread = [row for row in summary["notices"] if row["problem"] in _WHOLE_FILE]
    remarks = [row for row in summary["notices"] if row["problem"] not in _WHOLE_FILE]
    for rows, most in ((unread, _TOP), (summary["set_aside"], _KINDS), (remarks, _KINDS)):
        for row in rows[:most]:
            screen.print(Text(_problem(row), style="dim"))
        if len(rows) > most:
            screen.print(Text(f"{counted(len(rows) - most, 'more kind')} of problem: see the page", style="dim"))


def _problem(row: Mapping[str, Any]) -> str:
    """Word one kind of problem of one file: the first of its kind, how many there are, and the first three places."""
    if row["count"] == 1:
        place = f"{row['name']}:{row['line']}" if row["line"] else row["name"]
        return f"{place} {row['column']}: {row['message']}".replace(" : ", ": ")
    rest = ", …" if row["count"] > len(row["places"]) else ""
    return f"{row['name']}: {row['count']:,} times ({', '.join(row['places'])}{rest}), first: {row['message']}"


def _waiting(screen: Console, waiting: list[Mapping[str, Any]]) -> None:
    """Ask what columns wait for, one question a line."""
    for one in waiting[:_TOP]:
        screen.print(Text("? ", "bold"), end="")
        screen.print(Text(f"{one['file']}: {one['question']} ({counted(one['cells'], 'cell')})"))
    if len(waiting) > _TOP:
        screen.print(Text(f"{counted(len(waiting) - _TOP, 'more question')}: see the page", style="dim"))
