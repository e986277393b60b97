"""Words that stand on every report, once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

# A shape beside each word: a page in grey or read aloud says the same as one in colour.
SIGNS: Final[dict[str, str]] = {"ok": "○", "note": "△", "hold": "■", "reject": "✕"}
MEANINGS: Final[dict[str, str]] = {
    "ok": "agrees with itself",
    "note": "usable, read why",
    "hold": "do not use before a person answers",
    "reject": "impossible or known bad",
}
CAUTION: Final = (
    "These are findings about readings and about coffee equipment, not a drinking-water assessment. "
    "Field kits and meters carry the uncertainty shown. Local plumbing and drinking-water rules, the "
    "machine maker's instructions and the instructions of any treatment come first. Leave pressure, "
    "electrical, gas and plumbing work to qualified people. If you doubt that a water is safe, stop using "
    "it and ask the water supplier or the health authority; metals, nitrate and bacteria are matters for "
    "an accredited laboratory."
)


def headline(summary: Mapping[str, Any]) -> str:
    """Say in one sentence what a person must know of the batch."""
    samples = summary["samples"]
    held, rejected = samples["hold"], samples["reject"]
    if not samples["total"]:
        again = [file["status"] == "known" for file in summary["files"]]
        return "Nothing new: the store has these files already" if again and all(again) else "No samples in this batch"
    if rejected or held:
        waiting = " and ".join(
            f"{count} {word}" for count, word in ((held, "on hold"), (rejected, "rejected")) if count
        )
        return f"{waiting} of {samples['total']} samples: do not use these yet"
    if samples["note"] or summary["entries"]["set_aside"]:
        return f"{samples['total']} samples, usable; read the notes"
    return f"{samples['total']} samples, all of them agree with themselves"


def lead(summary: Mapping[str, Any]) -> str:
    """Count entries and files in one sentence."""
    entries, files = summary["entries"], summary["files"]
    unread = sum(file["status"] not in ("read", "known", "register") for file in files)
    text = (
        f"{entries['read']} entries read from {len(files)} file{'s' if len(files) != 1 else ''}: "
        f"{entries['accepted']} accepted, {entries['set_aside']} set aside."
    )
    return text + (f" {unread} file{'s' if unread != 1 else ''} not understood; see the ledger." if unread else "")
