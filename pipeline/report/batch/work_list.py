"""The work list of a batch: who is to be called, site by site, one line for each sample that waits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.assess.machines import NOT_KNOWN
from pipeline.report.causes import NOTHING, OPEN_END, in_words, printed_unit, significant
from pipeline.report.judgement import cause_said
from pipeline.report.sentences import decimal_marks, other_language, prose_said, quantity_said
from pipeline.words import capitalised, finding_for_client, question_of_check, say
from pipeline.words.labels import label_in
from schemas.columns import OPEN, VERDICTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pipeline.report.batch.contents import Batch

_RANK: Final = {verdict: rank for rank, verdict in enumerate(VERDICTS)}
_FIT: Final = ("act", "probably act")  # verdicts on the boiler that ask for a treatment


def work_list(batch: Batch, listed: list[dict[str, Any]], language: str = "en") -> list[dict[str, Any]]:
    """Say of every client and site what is to be asked and repeated there, the gravest first.

    Parameters
    ----------
    batch : the frames of the batch.
    listed : the samples that a summary lists, as `attention` has them.
    language : of causes and questions.

    Returns
    -------
    one row per client and site: `client site fit lines`; ``fit`` says what the boiler there will suffer, "" where
    nothing is to be fitted; a line has `verdict called sample_id numbers cell written fault cause todo`.
    """
    waiting = [sample for sample in listed if sample["verdict"] in OPEN]
    cells = _cells(batch, waiting, language)
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for sample in waiting:
        place = str(sample["client"] or ""), str(sample["site"] or "")
        groups.setdefault(place, []).append(_line(sample, cells.get(str(sample["sample_id"]), {}), language))
    fits = _fits(batch, language)
    places = sorted({*groups, *fits}, key=lambda place: (-_worst(groups.get(place, [])), place == ("", ""), place))
    return [
        {"client": client, "site": site, "fit": fits.get((client, site), ""), "lines": groups.get((client, site), [])}
        for client, site in places
    ]


def _worst(lines: Iterable[Mapping[str, Any]]) -> int:
    return max((_RANK[line["verdict"]] for line in lines), default=-1)


def _line(sample: Mapping[str, Any], cells: Mapping[str, tuple[str, str]], language: str) -> dict[str, Any]:
    """Put one sample on one line: where it was written, what does not fit, what it most likely was, what to do."""
    findings = [finding for finding in sample["findings"] if finding["severity"] in OPEN] or sample["findings"]
    worst: Mapping[str, Any] = findings[0] if findings else {}
    cause = _cause(sample["explanation"])
    concerned = [cause["analyte"]] if cause else []
    concerned += [code for finding in findings for code in str(finding.get("analyte") or "").split()]
    known = [code for code in dict.fromkeys(concerned) if code in cells]
    cell, written = cells[known[0]] if known else cells.get("", ("", ""))
    check_id = str(worst.get("check_id") or "any")
    return {
        "verdict": sample["verdict"],
        "called": sample["called"],
        "sample_id": sample["sample_id"],
        "numbers": [finding["finding_id"] for finding in findings],
        "cell": cell,
        "written": written,
        "fault": capitalised(say(finding_for_client(check_id), language)),
        "cause": _cause_words(cause, language),
        "todo": _todo(check_id, cause, known, language),
    }


def _cause(explanation: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Give the likeliest cause where it names anything."""
    if not explanation or explanation["causes"][0]["mistake"] in (NOTHING, OPEN_END):
        return None
    first: dict[str, Any] = explanation["causes"][0]
    return first


def _cause_words(cause: Mapping[str, Any] | None, language: str) -> str:
    if cause is None:
        return ""
    sure, cause = in_words(cause["probability"]).rpartition(", ")[2], cause_said(cause, language)
    if cause["value_from"] is None or cause["value_to"] is None or cause["value_from"] == cause["value_to"]:
        return f"{cause['title']} ({sure})"
    change = f"{significant(cause['value_from'])} → {significant(cause['value_to'])} {printed_unit(cause['unit'])}"
    return f"{cause['title']}: {decimal_marks(change.strip(), language)} ({sure})"


def _todo(check_id: str, cause: Mapping[str, Any] | None, known: list[str], language: str) -> str:
    """Say what is to be done: the question of the check, or the repeat of what nothing explains."""
    question = say(question_of_check(check_id), language)
    if cause is None and known and question == say(question_of_check("any"), language):
        named = ", ".join(_title(code, language) for code in known[:3])
        return label_in("Repeat {named}.", language, named=named)
    return question


def _title(code: str, language: str) -> str:
    title = quantity_said(code, language)
    return title if code == "ph" or other_language(language) else f"{title[0].lower()}{title[1:]}"


def _cells(batch: Batch, waiting: list[dict[str, Any]], language: str) -> dict[str, dict[str, tuple[str, str]]]:
    """Give of every sample the place and the text of each reading, "" for the sample itself: file and line."""
    wanted = pd.Index([sample["sample_id"] for sample in waiting])
    if not len(wanted):
        return {}
    names = batch.files.drop_duplicates("file_sha256").set_index("file_sha256")["name"].str.rpartition("/")[2]
    about = batch.samples.loc[wanted, ["file_sha256", "line"]]
    cells = {
        str(sample): {"": (f"{names.get(sha, '')}:{line}", "")}
        for sample, sha, line in zip(wanted, about["file_sha256"], about["line"], strict=True)
    }
    readings = batch.readings
    own = readings[readings["sample_id"].isin(wanted).to_numpy()]
    columns = ("sample_id", "analyte", "file_sha256", "line", "column", "raw_text", "raw_unit")
    for sample, analyte, sha, line, column, text, unit in zip(
        *(own[name].astype("str") for name in columns), strict=True
    ):
        said = label_in("{column} “{text}”", language, column=column, text=text)
        said += f" {unit}" if unit and unit not in column else ""
        cells[sample].setdefault(analyte, (f"{names.get(sha, '')}:{line}", said))
    return cells


def _fits(batch: Batch, language: str) -> dict[tuple[str, str], str]:
    """Say where a boiler will suffer from the usable water of a site: there is something to fit or to change."""
    if batch.assessment is None:
        return {}
    verdicts = batch.assessment.verdicts
    samples = batch.waters
    usable = samples.index[~samples["verdict"].isin(OPEN) & ((samples["client"] != "") | (samples["site"] != ""))]
    bad = verdicts[verdicts["boiler_verdict"].isin(_FIT) & verdicts["sample_id"].isin(usable)]
    latest = samples.loc[usable].sort_values("collected_at").groupby(["client", "site", "stage"], sort=False).tail(1)
    bad = bad[bad["sample_id"].isin(latest.index)].drop_duplicates("sample_id")
    about = samples.loc[bad["sample_id"]]
    found: dict[tuple[str, str], str] = {}
    columns = [about[name].astype("str") for name in ("client", "site", "called", "stage")]
    for client, site, called, stage, machine, sentence in zip(
        *columns, bad["machine"], bad["boiler_sentence"], strict=True
    ):
        place = client, site
        name = "machine not known" if machine == NOT_KNOWN else machine
        told = f"{name} with {stage or 'the'} water ({called}): {str(sentence).partition('. ')[0].rstrip('.')}."
        if place not in found or stage != "raw":
            found[place] = prose_said(told, language)
    return found
