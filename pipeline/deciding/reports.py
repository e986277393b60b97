"""`use-report`: of two reports about the same samples, which one counts."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.deciding.consequences import Consequences
from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.store.reach import REPORT_QUESTIONS

if TYPE_CHECKING:
    from pipeline.deciding.answer import Answer
    from pipeline.deciding.consequences import Answering
    from pipeline.store.database import Store

_LATEST: Final = ("", "latest", "newest")


def about_report(store: Store, answer: Answer) -> Answer:
    """Let a `use-report` that names another finding of the sample answer its question about the reports.

    What else is open about the sample, and about others with the same finding, is not settled by which report counts:
    it is proved anew with the readings that do.

    Parameters
    ----------
    store : open.
    answer : as it was given.
    """
    found = store.connection.execute(
        "SELECT min(asked.finding_id) FROM v_finding AS named JOIN v_finding AS asked USING (sample_id) "
        "WHERE named.finding_id = $number AND NOT list_contains($checks, named.check_id) "
        "AND asked.is_current AND asked.severity <> 'note' AND list_contains($checks, asked.check_id)",
        {"number": answer.finding_id, "checks": list(REPORT_QUESTIONS)},
    ).fetchone()
    return replace(answer, finding_id=int(found[0])) if found and found[0] is not None else answer


def use_report(case: Answering) -> Consequences:
    """Let the readings of one report count, and not what the others say of the same quantities.

    The answer holds for every sample of which the same reports speak: a sheet that was corrected at its source and
    taken in again is one question.

    Where the chosen report says a value word for word as an earlier one, the earlier one stays: it counts for both.
    Two reports in one file are told apart by their lines, of this sample alone.

    Raises
    ------
    KettlestoneError : only one report speaks of the sample, or none is called so.
    """
    if pd.isna(case.found["sample_id"]):
        raise KettlestoneError(
            f"finding {case.answer.finding_id} is about one file; there is nothing to choose.\n  {UNCHANGED}"
        )
    reports = _reports(case)
    name, chosen, rows = _of_other_files(case, reports) if len(reports) > 1 else _of_other_lines(case, reports)
    before = _answers_replaced(case, chosen)
    rows = pd.concat([rows, before[["reading_id", "sample_id"]]]).drop_duplicates("reading_id")
    rows = rows[~rows["reading_id"].isin(chosen)]
    also = case.store.connection.execute(
        "SELECT finding_id FROM v_finding WHERE is_current AND severity <> 'note' AND list_contains($checks, check_id) "
        "AND list_contains($samples, sample_id) AND finding_id <> $own",
        {
            "checks": list(REPORT_QUESTIONS),
            "samples": rows["sample_id"].unique().tolist(),
            "own": int(case.found["finding_id"]),
        },
    ).fetchall()
    count = rows["sample_id"].nunique()
    return Consequences(
        withdrawn=tuple(int(number) for number in rows["reading_id"]),
        also=tuple({*(int(number) for (number,) in also), *before["finding_id"].tolist()}),
        samples=frozenset(rows["sample_id"].astype("str")),
        detail=f"{name} counts, in {count} sample{'' if count == 1 else 's'}",
    )


def _answers_replaced(case: Answering, chosen: list[int]) -> pd.DataFrame:
    """List what earlier answers in force put out that this one takes the place of: `finding_id reading_id sample_id`.

    These are the answer to the same finding, and those that put out what is chosen now. What they put out besides
    stays out.

    Parameters
    ----------
    case : the finding, and which report counts.
    chosen : readings of that report.
    """
    return case.store.connection.execute(
        """
        WITH replaced AS (
            SELECT DISTINCT a.decision_id FROM answer AS a JOIN withdrawn AS w USING (decision_id)
            WHERE a.own AND a.action = 'use-report'
                AND (a.finding_id = $finding OR list_contains($chosen, w.reading_id))
        )
        SELECT a.finding_id, w.reading_id, r.sample_id
        FROM replaced JOIN answer AS a USING (decision_id) JOIN withdrawn AS w USING (decision_id)
        JOIN reading AS r USING (reading_id)
        WHERE a.own
        """,
        {"finding": int(case.found["finding_id"]), "chosen": chosen},
    ).df()


def _of_other_files(case: Answering, reports: pd.DataFrame) -> tuple[str, list[int], pd.DataFrame]:
    """Name the file that counts, with its readings, and those of the others about the same quantities."""
    chosen = _chosen(case, reports)
    others = [str(sha256) for sha256 in reports["file_sha256"] if sha256 != chosen["file_sha256"]]
    rows = case.store.connection.execute(
        """
        WITH mine AS (
            SELECT DISTINCT sample_id, analyte FROM reading ANTI JOIN superseded USING (reading_id)
            WHERE file_sha256 = $chosen
        )
        SELECT r.reading_id, r.sample_id FROM v_reading AS r JOIN mine USING (sample_id, analyte)
        WHERE r.counts AND r.decision_id IS NULL AND list_contains($others, r.file_sha256)
        """,
        {"chosen": chosen["file_sha256"], "others": others},
    ).df()
    own = case.store.connection.execute(
        "SELECT reading_id FROM reading WHERE file_sha256 = ? AND decision_id IS NULL", [chosen["file_sha256"]]
    ).fetchall()
    return str(chosen["name"]), [int(number) for (number,) in own], rows


def _of_other_lines(case: Answering, reports: pd.DataFrame) -> tuple[str, list[int], pd.DataFrame]:
    """Name the line of the file that counts, with its readings, and those of the other lines about the same."""
    found = case.store.connection.execute(
        """
        SELECT r.reading_id, r.sample_id, r.analyte, r.line, v.counts
        FROM reading AS r ANTI JOIN superseded USING (reading_id) JOIN v_reading AS v USING (reading_id)
        WHERE r.sample_id = ? AND r.decision_id IS NULL
        QUALIFY min(r.line) OVER (PARTITION BY r.analyte) < max(r.line) OVER (PARTITION BY r.analyte)
        """,
        [case.found["sample_id"]],
    ).df()
    if found.empty:
        raise KettlestoneError(
            f"only one report speaks of the sample of finding {case.answer.finding_id}.\n  {UNCHANGED}\n"
            "  Accept or correct the finding, or ask for a repeat."
        )
    file = str(reports["name"].item())
    wanted, lines = case.answer.report.strip(), sorted(int(line) for line in found["line"].unique())
    named = str(lines[-1]) if wanted.casefold() in _LATEST else wanted.rpartition(":")[2].rpartition(" ")[2]
    if named not in map(str, lines):
        choice = ", ".join(f"{file.rpartition('/')[2]}:{line}" for line in lines)
        raise KettlestoneError(f'no report on this sample is called "{wanted}".\n  {UNCHANGED}\n  Reports: {choice}.')
    chosen = found["line"] == int(named)
    told_there = found["analyte"].isin(found.loc[chosen, "analyte"])
    own = [int(number) for number in found.loc[chosen, "reading_id"]]
    return f"{file}:{named}", own, found.loc[told_there & ~chosen & found["counts"], ["reading_id", "sample_id"]]


def _reports(case: Answering) -> pd.DataFrame:
    """List the files that speak of the sample, the latest first."""
    return case.store.connection.execute(
        """
        SELECT file_sha256, max(f.name) AS name
        FROM (SELECT DISTINCT file_sha256 FROM reading WHERE sample_id = ? AND decision_id IS NULL)
        JOIN source_file AS f USING (file_sha256)
        GROUP BY file_sha256 ORDER BY max(f.rowid) DESC
        """,
        [case.found["sample_id"]],
    ).df()


def _chosen(case: Answering, reports: pd.DataFrame) -> pd.Series:
    wanted = case.answer.report.strip()
    if wanted.casefold() in _LATEST:
        return reports.iloc[0]
    named = reports[
        (reports["name"] == wanted)
        | reports["name"].str.endswith(f"/{wanted}")
        | reports["file_sha256"].str.startswith(wanted)
    ]
    if len(named) == 1:
        return named.iloc[0]
    fault = "several files are" if len(named) else "no file that speaks of this sample is"
    raise KettlestoneError(
        f'{fault} called "{wanted}"{did_you_mean(wanted, reports["name"])}\n  {UNCHANGED}\n'
        f"  Reports: {', '.join(reports['name'] + ' (' + reports['file_sha256'].str[:8] + ')')}."
    )
