"""The checks as text: the list, and one check in full with its source."""

from __future__ import annotations

import inspect
import itertools
import json
from typing import TYPE_CHECKING, Final

from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.checks.registry import Check

_HOW_SEEN: Final = {
    "text": "read in its text",
    "second-hand": "quoted second-hand",
    "from memory": "cited from memory",
    "common practice": "common practice of the trade",
}


def list_all(*, as_json: bool) -> str:
    """List every check: id, severity, what must hold."""
    entries = [KNOWN_CHECKS[check_id] for check_id in sorted(KNOWN_CHECKS)]
    if as_json:
        return json.dumps([_plain(entry) for entry in entries], ensure_ascii=False, indent=1)
    width = max(len(entry.check_id) for entry in entries)
    lines = [f"{entry.check_id:<{width}}  {entry.severity:<6}  {entry.title}" for entry in entries]
    return "\n".join([*lines, "", "kettlestone checks ID explains one."])


def check_text(check_id: str, *, as_json: bool) -> str:
    """Explain one check: its rationale, its limits and the source behind it.

    Raises
    ------
    KettlestoneError : no check has this id.
    """
    if check_id not in KNOWN_CHECKS:
        raise KettlestoneError(
            f'there is no check "{check_id}"{did_you_mean(check_id, KNOWN_CHECKS)}\n  {UNCHANGED}\n'
            "  kettlestone checks lists them."
        )
    entry = KNOWN_CHECKS[check_id]
    if as_json:
        return json.dumps(_plain(entry), ensure_ascii=False, indent=1)
    head = f"{entry.check_id}: {entry.title}\nSeverity of a finding: {entry.severity}\n"
    return f"{head}\n{_why(entry)}\n\nSource\n------\n{_source(entry)}"


def _why(entry: Check) -> str:
    """Take the rationale and the notes of a check's docstring; its parameters are for programmers."""
    sections: list[str] = []
    skipped = False
    lines = [*inspect.cleandoc(entry.rationale).splitlines(), ""]
    for line, below in itertools.pairwise(lines):
        if set(below) == {"-"}:
            skipped = line not in ("Notes", "References")
        if not skipped:
            sections.append(line)
    return "\n".join(sections).rstrip()


def _source(entry: Check) -> str:
    listed = table("sources")
    citations = dict(zip(listed["key"], listed["citation"], strict=True))
    seen = dict(zip(listed["key"], listed["seen"], strict=True))
    keys = [key.strip() for key in entry.source.split(",")]
    return "\n".join(f"[{key}] {citations[key]} ({_HOW_SEEN[seen[key]]})" for key in keys)


def _plain(entry: Check) -> dict[str, str]:
    return {
        "id": entry.check_id,
        "title": entry.title,
        "severity": entry.severity,
        "unit": entry.unit,
        "rationale": inspect.cleandoc(entry.rationale),
        "source": _source(entry),
    }
