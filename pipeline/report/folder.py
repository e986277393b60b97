"""The folder of a batch: page, data and tables, whole or not there at all."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pipeline.report.assessment import block
from pipeline.report.page import render
from pipeline.report.tables import write_csv

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.report.batch import Batch

_PROBLEM_ORDER: Final = ["name", "line", "column", "raw_text", "problem", "message", "file_sha256"]
_FINDING_ORDER: Final = [
    "label",
    "client",
    "site",
    "severity",
    "check_id",
    "message",
    "observed",
    "low",
    "high",
    "unit",
    "evidence",
    "sample_id",
    "file_sha256",
]


def write_folder(batch: Batch, summary: Mapping[str, Any], out: Path) -> Path:
    """Write ``out/<batch id>/`` with page, JSON and tables.

    The files are written to a temporary folder beside it, which is renamed at the end.

    Returns
    -------
    The folder.
    """
    out.mkdir(parents=True, exist_ok=True)
    final = out / str(batch.record["batch_id"])
    work = Path(tempfile.mkdtemp(prefix=".writing-", dir=out))
    try:
        (work / "summary.json").write_text(
            json.dumps(summary, indent=1, ensure_ascii=False, default=str), encoding="utf-8"
        )
        (work / "summary.html").write_text(render(summary, batch.samples, _blocks(batch)), encoding="utf-8")
        write_csv(batch.samples.reset_index(), work / "samples.csv")
        write_csv(_with_labels(batch)[_FINDING_ORDER], work / "findings.csv")
        write_csv(batch.set_aside[_PROBLEM_ORDER], work / "set_aside.csv")
        work.chmod(0o755)
        if final.exists():
            shutil.rmtree(final)
        work.rename(final)
    except BaseException:
        shutil.rmtree(work, ignore_errors=True)
        raise
    return final


def _blocks(batch: Batch) -> list[str]:
    return [] if batch.assessment is None else [block(batch.assessment, batch.samples)]


def _with_labels(batch: Batch) -> Any:  # noqa: ANN401 - pandas-stubs cannot type a frame joined by index
    names = batch.samples[["label", "client", "site"]]
    return batch.findings.join(names, on="sample_id")
