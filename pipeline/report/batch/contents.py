"""What a finished batch consists of, for the reports."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.texts import TextColumn
from schemas.columns import CONTROLS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.assess.suitability import Assessment
    from pipeline.explain.tables import Explained
    from pipeline.fault_log import Fault


@dataclass(frozen=True)
class Batch:
    """The frames of one batch.

    Attributes
    ----------
    record : `batch_id started_at finished_at version settings`, plain values.
    files : one row per input: `file_sha256 name layout encoding delimiter decimal_mark bytes lines
        entries accepted set_aside status`.
    samples : controls of the laboratory among them; index `sample_id`; `called` ABOUT_COLUMNS, WIDE_COLUMNS, `verdict`,
        `not_evaluated`.
    readings : accepted readings.
    findings : FINDING_COLUMNS and `analyte`, worst first.
    set_aside, notices : PROBLEM_COLUMNS with `name` (of the file) and `message`.
    waiting : columns that wait for an answer, as ``coverage.waiting_columns`` gives them.
    check_runs : `check_id evaluated not_evaluated flagged`.
    assessment : what the waters will do, or None where the batch is too large to ask for all of it.
    explained : which mistake explains the samples on hold, or None where there is nothing to explain.
    faults : what of the judgement failed by a fault of the program, and was left out.
    first_finding : number that the store gives the first of ``findings``; the others follow in their order.
    """

    record: dict[str, Any]
    files: pd.DataFrame
    samples: pd.DataFrame
    readings: pd.DataFrame
    findings: pd.DataFrame
    set_aside: pd.DataFrame
    notices: pd.DataFrame
    waiting: pd.DataFrame
    check_runs: pd.DataFrame
    assessment: Assessment | None = None
    explained: Explained | None = None
    first_finding: int = 1
    faults: tuple[Fault, ...] = ()

    @property
    def numbered_findings(self) -> pd.DataFrame:
        """Give the findings with the numbers by which they are answered; those of the store have theirs."""
        if "finding_id" in self.findings:
            return self.findings
        return self.findings.assign(finding_id=np.arange(self.first_finding, self.first_finding + len(self.findings)))

    @property
    def waters(self) -> pd.DataFrame:
        """Leave out the controls: blanks, standards, duplicates and spikes judge the laboratory."""
        control = TextColumn.of(self.samples, "activity").isin(CONTROLS)
        return self.samples[~control] if control.any() else self.samples
