"""Words that stand on every report, once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pipeline.words.labels import counted_in, grouped, label_in, plural_in
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
    language = str(summary["language"])
    unread, judged = _unread(summary["coverage"], language), _judged(summary, language)
    return f"{unread}. {judged}" if unread else judged


def _unread(coverage: Mapping[str, Any], language: str) -> str:
    """Count the readings used and the columns that wait: "2 of 12 readings used; 5 columns wait for a unit"."""
    waiting = coverage["waiting"]
    columns = len({(one["file"], one["column"]) for one in waiting})
    said = []
    if coverage["unread"]:
        used = grouped(coverage["used"], language)
        said.append(
            plural_in(
                coverage["cells"], "{used} of {n} reading used", "{used} of {n} readings used", language, used=used
            )
        )
    if columns:
        units = all(one["problem"].startswith("unit-") for one in waiting)
        one, many = (
            ("{n} column waits for a unit", "{n} columns wait for a unit")
            if units
            else ("{n} column waits for an answer", "{n} columns wait for an answer")
        )
        said.append(plural_in(columns, one, many, language))
    return "; ".join(said)


def counted(number: int, noun: str, plural: str = "") -> str:
    """Write a number with its noun, singular or plural: "1 file", "3 files"."""
    return counted_in(number, noun, "en", plural)


def left_out_text(out: dict[str, int]) -> str:
    """Say which samples do not count."""
    return "Left out: " + "; ".join(f"{counted(count, 'sample')} {reason}" for reason, count in out.items()) + "."


def controls(summary: Mapping[str, Any]) -> str:
    """Name the controls of a batch: "2 blanks and 1 standard, kept for laboratory control"; "" where there are none."""
    language = str(summary["language"])
    of_kind = [counted_in(summary["controls"][kind], kind, language) for kind in CONTROLS if summary["controls"][kind]]
    both = label_in(" and ", language)
    listed = both.join(part for part in (", ".join(of_kind[:-1]), *of_kind[-1:]) if part)
    kept = "{listed}: kept for laboratory control, not judged as waters"
    return label_in(kept, language, listed=listed) if listed else ""


def _judged(summary: Mapping[str, Any], language: str) -> str:
    samples = summary["samples"]
    held, rejected, total = samples["hold"], samples["reject"], samples["total"]
    if not total:
        return label_in(_without_samples(summary), language)
    if rejected or held:
        parts = [
            label_in(word, language, n=grouped(count, language))
            for count, word in ((held, "{n} on hold"), (rejected, "{n} rejected"))
            if count
        ]
        one, many = "{waiting} of {n} sample: do not use these yet", "{waiting} of {n} samples: do not use these yet"
        return plural_in(total, one, many, language, waiting=label_in(" and ", language).join(parts))
    if samples["unjudged"]:
        one = "{unjudged} of {n} sample not judged: too little was read to compare"
        many = "{unjudged} of {n} samples not judged: too little was read to compare"
        return plural_in(total, one, many, language, unjudged=grouped(samples["unjudged"], language))
    if samples["note"] or summary["entries"]["set_aside"]:
        return plural_in(total, "{n} sample, usable; read the notes", "{n} samples, usable; read the notes", language)
    return plural_in(total, "{n} sample, consistent", "{n} samples, consistent", language)


def _without_samples(summary: Mapping[str, Any]) -> str:
    if summary["controls"]["total"]:
        return "No waters in this batch, only control samples"
    found = {file["status"] for file in summary["files"]}
    again = "known" in found <= {"known", "not read", "not understood"}
    return "Nothing new: the store has these files already" if again else "No samples in this batch"


def lead(summary: Mapping[str, Any]) -> str:
    """Count entries and files in one sentence."""
    text = entries_of_files(
        summary,
        "{entries} read from {n} file: {accepted} accepted, {aside} set aside.",
        "{entries} read from {n} files: {accepted} accepted, {aside} set aside.",
    )
    unread = sum(file["status"] == "not understood" for file in summary["files"])
    one, many = "{n} file not understood; see the ledger.", "{n} files not understood; see the ledger."
    return f"{text} {plural_in(unread, one, many, str(summary['language']))}" if unread else text


def entries_of_files(summary: Mapping[str, Any], one: str, many: str) -> str:
    """Fill a sentence about the entries of one file, or of many, in the language of the summary."""
    language, entries = str(summary["language"]), summary["entries"]
    return plural_in(
        len(summary["files"]),
        one,
        many,
        language,
        entries=counted_in(entries["read"], "entry", language, "entries"),
        accepted=entries["accepted"],
        aside=entries["set_aside"],
    )
