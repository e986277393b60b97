"""Words that stand on every report, once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from schemas.columns import CONTROLS

if TYPE_CHECKING:
    from collections.abc import Mapping

# A shape beside each word: a page in grey or read aloud says the same as one in colour.
SIGNS: Final[dict[str, str]] = {"ok": "○", "unjudged": "◇", "note": "△", "hold": "■", "reject": "✕"}
MEANINGS: Final[dict[str, str]] = {
    "ok": "agrees with itself",
    "unjudged": "nothing to compare, or most of it was not read",
    "note": "usable, read why",
    "hold": "do not use before a person answers",
    "reject": "impossible or known bad",
}
VERDICT_WORDS: Final[dict[str, str]] = {
    "ok": "ok",
    "unjudged": "not judged",
    "note": "note",
    "hold": "hold",
    "reject": "reject",
}
CAUTION: Final = (
    "These are findings about readings and about coffee equipment, not a drinking-water assessment. "
    "Field kits and meters carry the uncertainty shown. Local plumbing and drinking-water rules, the "
    "machine maker's instructions and the instructions of any treatment come first. Leave pressure, "
    "electrical, gas and plumbing work to qualified people. If you doubt that a water is safe, stop using "
    "it and ask the water supplier or the health authority; metals, nitrate and bacteria are matters for "
    "an accredited laboratory."
)


def batch_headline(summary: Mapping[str, Any]) -> str:
    """Say in one line what a person must know of the batch: first how much of it could not be read, if anything."""
    unread, judged = _unread(summary["coverage"]), _judged(summary)
    return f"{unread}. {judged}" if unread else judged


def _unread(coverage: Mapping[str, Any]) -> str:
    """Count the readings used and the columns that wait: "2 of 12 readings used; 5 columns wait for a unit"."""
    waiting = coverage["waiting"]
    columns = len({(one["file"], one["column"]) for one in waiting})
    said = []
    if coverage["unread"]:
        said.append(f"{coverage['used']} of {counted(coverage['cells'], 'reading')} used")
    if columns:
        units = all(one["problem"].startswith("unit-") for one in waiting)
        verb = "waits" if columns == 1 else "wait"
        said.append(f"{counted(columns, 'column')} {verb} for {'a unit' if units else 'an answer'}")
    return "; ".join(said)


def counted(number: int, noun: str, plural: str = "") -> str:
    """Write a number with its noun, singular or plural: "1 file", "3 files"."""
    return f"{number:,} {noun if number == 1 else plural or f'{noun}s'}"


def controls(summary: Mapping[str, Any]) -> str:
    """Name the controls of a batch: "2 blanks and 1 standard, kept for laboratory control"; "" where there are none."""
    of_kind = [counted(summary["controls"][kind], kind) for kind in CONTROLS if summary["controls"][kind]]
    listed = " and ".join(part for part in (", ".join(of_kind[:-1]), *of_kind[-1:]) if part)
    return f"{listed}: kept for laboratory control, not judged as waters" if listed else ""


def _judged(summary: Mapping[str, Any]) -> str:
    samples = summary["samples"]
    held, rejected = samples["hold"], samples["reject"]
    if not samples["total"]:
        if summary["controls"]["total"]:
            return "No waters in this batch, only control samples"
        again = [file["status"] == "known" for file in summary["files"]]
        return "Nothing new: the store has these files already" if again and all(again) else "No samples in this batch"
    if rejected or held:
        waiting = " and ".join(
            f"{count} {word}" for count, word in ((held, "on hold"), (rejected, "rejected")) if count
        )
        return f"{waiting} of {counted(samples['total'], 'sample')}: do not use these yet"
    if samples["unjudged"]:
        of = counted(samples["total"], "sample")
        return f"{samples['unjudged']:,} of {of} not judged: too little was read to compare"
    if samples["note"] or summary["entries"]["set_aside"]:
        return f"{counted(samples['total'], 'sample')}, usable; read the notes"
    return f"{counted(samples['total'], 'sample')}, consistent"


def lead(summary: Mapping[str, Any]) -> str:
    """Count entries and files in one sentence."""
    entries, files = summary["entries"], summary["files"]
    unread = sum(file["status"] == "not understood" for file in files)
    text = (
        f"{counted(entries['read'], 'entry', 'entries')} read from {counted(len(files), 'file')}: "
        f"{entries['accepted']} accepted, {entries['set_aside']} set aside."
    )
    return text + (f" {counted(unread, 'file')} not understood; see the ledger." if unread else "")
