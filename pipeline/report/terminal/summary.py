"""The summary in the terminal: at most forty lines, the worst five samples, where the rest is, and the verdict last."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

from rich.text import Text

from pipeline.report.terminal.screen import Screen
from pipeline.report.wording import SIGNS, VERDICT_WORDS, batch_headline, controls, entries_of_files
from pipeline.words.labels import counted_in, grouped, label_in, plural_in

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from rich.console import Console

_MOST: Final = 40  # lines in all
_FIXED: Final = 7  # of them for counts, controls, what is left out, the page and the verdict
_WORST: Final = 5
_QUESTIONS: Final = 4
_QUESTION_LINES: Final = 12  # of all questions together
_UNREAD: Final = 3
_REMARKS: Final = 3
_LINES: Final = 2  # of a sample; what is cut ends in "…" and stands on the page
_WHOLE_FILE: Final = ("file-not-understood", "file-empty", "file-unreadable", "file-too-large")
_STYLES: Final = {"ok": "green", "unjudged": "magenta", "note": "blue", "hold": "yellow", "reject": "red"}
_LEAST_WIDTH: Final = 60


def show_summary(summary: Mapping[str, Any], folder: Path, console: Console | None = None) -> None:
    """Print the summary of a batch.

    Parameters
    ----------
    summary : as ``report.summary.summarise`` gives it.
    folder : where the files of the batch are.
    console : for tests; default standard output.
    """
    screen = console or Screen()
    width = max(screen.width, _LEAST_WIDTH)
    samples, language = summary["samples"], str(summary["language"])
    screen.print(
        entries_of_files(
            summary,
            "{entries} read = {accepted} accepted + {aside} set aside, from {n} file",
            "{entries} read = {accepted} accepted + {aside} set aside, from {n} files",
        )
    )
    screen.print(Text("   ").join(_word(word, samples[word], language) for word in SIGNS))
    if said := controls(summary):
        screen.print(said)
    told = [*_of_files(summary, width), *_worst(summary, width)]
    room = _MOST - _FIXED - sum(text.count("\n") + 1 for text, _ in told)
    for text, style in [*told, *_problems(summary, width, room)]:
        screen.print(Text(text, style=style), soft_wrap=True)
    if (page := folder / "summary.html").exists():
        screen.print(Text(label_in("Work list, to read or print: {page}", language, page=page)), soft_wrap=True)
    screen.print(Text(batch_headline(summary), style="bold"))


def _word(word: str, count: int, language: str) -> Text:
    said = f"{SIGNS[word]} {count} {label_in(VERDICT_WORDS[word], language)}"
    return Text(said, style=_STYLES[word] if count else "dim")


def _short(text: str, width: int, first: str = "", lines: int = _LINES) -> str:
    """Wrap a text to so many lines; what is cut ends in "…"."""
    found = textwrap.wrap(
        f"{first}{text}", width, subsequent_indent="  ", max_lines=lines, placeholder=" …", break_on_hyphens=False
    )
    return "\n".join(found)


def _of_files(summary: Mapping[str, Any], width: int) -> list[tuple[str, str]]:
    """Ask about whole files: columns that wait, one mistake in many rows, what a whole source shows."""
    language = str(summary["language"])
    told = [
        (f"? {_asked(one)}{_name(one['file'])}: {one['said']} ({counted_in(one['cells'], 'cell', language)})", "")
        for one in summary["coverage"]["waiting"]
    ]
    told += [(f"{_name(one['file'])}: {one['said']}", "bold") for one in summary["patterns"]]
    told += [
        (f"{SIGNS[one['severity']]} {_number(one)}{_name(one['file'])}: {one['said']}", _STYLES[one["severity"]])
        for one in summary["source_findings"]
    ]
    each = _QUESTION_LINES // max(min(len(told), _QUESTIONS), 1)
    lines = [(_short(text, width, lines=each), style) for text, style in told[:_QUESTIONS]]
    rest = len(told) - _QUESTIONS
    if rest <= 0:
        return lines
    one, many = "{n} more question about whole files", "{n} more questions about whole files"
    said = f"{plural_in(rest, one, many, language)}: {label_in('see the page', language)}"
    return [*lines, (said, "dim")]


def _asked(question: Mapping[str, Any]) -> str:
    """Give the number by which a question about a form is answered; one about a unit says how it is."""
    return "" if question["number"] is None else f"{question['number']} "


def _number(finding: Mapping[str, Any]) -> str:
    return "" if finding["severity"] == "note" else f"{finding['finding_id']} "


def _worst(summary: Mapping[str, Any], width: int) -> Iterable[tuple[str, str]]:
    """Give the five worst samples that wait: number, place, cell, and the likeliest cause or what to do."""
    placed = {line["sample_id"]: (group, line) for group in summary["work"] for line in group["lines"]}
    listed = [placed[one["sample_id"]] for one in summary["attention"]["listed"] if one["sample_id"] in placed]
    for group, line in listed[:_WORST]:
        place = " · ".join(part for part in (group["client"], group["site"]) if part)
        said = line["cause"] or f"{line['fault']}. {line['todo']}"
        numbers = " ".join(str(number) for number in line["numbers"][:1])
        first = f"{SIGNS[line['verdict']]} {numbers} {line['called']}"
        about = ", ".join(part for part in (place, line["cell"], line["written"]) if part)
        yield _short(f" ({about}): {said}", width, first), _STYLES[line["verdict"]]
    waiting = summary["samples"]["hold"] + summary["samples"]["reject"]
    if (rest := waiting - len(listed[:_WORST])) > 0:
        one = "{n} more sample on hold or rejected: kettlestone findings --by-client lists it"
        many = "{n} more samples on hold or rejected: kettlestone findings --by-client lists them"
        yield plural_in(rest, one, many, str(summary["language"])), "dim"


def _problems(summary: Mapping[str, Any], width: int, room: int) -> Iterable[tuple[str, str]]:
    """List files that were not understood, then the most frequent of the other problems, in so many lines."""
    language = str(summary["language"])
    unread = [row for row in summary["notices"] if row["problem"] in _WHOLE_FILE]
    remarks = [row for row in summary["notices"] if row["problem"] not in _WHOLE_FILE]
    other = [*summary["set_aside"], *remarks]
    left = room - _LINES * min(len(unread), _UNREAD)
    each = max(left // max(min(len(other), _REMARKS), 1), 1)
    for rows, most, lines in ((unread, _UNREAD, _LINES), (other, _REMARKS, each)):
        for row in rows[:most]:
            yield _short(_problem(row, language), width, lines=lines), "dim"
    rest = max(len(unread) - _UNREAD, 0) + max(len(other) - _REMARKS, 0)
    if rest:
        one, many = "{n} more kind of problem: see the page", "{n} more kinds of problem: see the page"
        yield plural_in(rest, one, many, language), "dim"


def _problem(row: Mapping[str, Any], language: str) -> str:
    """Word one kind of problem of one file: the first of its kind, how many there are, and the first three places."""
    if row["count"] == 1:
        place = f"{_name(row['name'])}:{row['line']}" if row["line"] else _name(row["name"])
        return f"{place} {row['column']}: {row['said']}".replace(" : ", ": ")
    rest = ", …" if row["count"] > len(row["places"]) else ""
    return label_in(
        "{file}: {n} times {where}, first: {said}",
        language,
        file=_name(row["name"]),
        n=grouped(row["count"], language),
        where=_where(row["places"], rest, language),
        said=row["said"],
    )


def _where(places: Sequence[str], rest: str, language: str) -> str:
    """Word places such as "line 6 Calcium"; a column that they share is named once."""
    parts = [place.split(" ", 2) for place in places]
    columns = {part[2] if len(part) > 2 else "" for part in parts}  # noqa: PLR2004 - "line", number, column
    if len(columns) == 1 and (column := columns.pop()):
        lines = ", ".join(part[1] for part in parts) + rest
        return label_in("under “{column}” (lines {lines})", language, column=column, lines=lines)
    return f"({', '.join(places)}{rest})"


def _name(path: str) -> str:
    return path.rpartition("/")[2]
