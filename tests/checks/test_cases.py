"""Every registered check is shown by a good and a bad case, and behaves on both as it says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

import pipeline.checks  # noqa: F401  importing the package registers every check
from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check
from schemas.columns import SEVERITIES

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.normalise.sample_table import SampleTable

    Loader = Callable[[Path], SampleTable]


def _holds(check_id: str, samples: SampleTable) -> bool:
    """Tell whether a check holds or rejects anything; messages are not worded, which is what takes time."""
    entry = CHECKS[check_id]
    result = entry.function(samples, Limits())
    outside = (result["observed"] < result["low"]) | (result["observed"] > result["high"])
    severity = (
        result["severity"] if "severity" in result else result["observed"].map(lambda _: entry.severity)
    )
    return bool((outside & severity.isin(["hold", "reject"])).any())


@pytest.mark.parametrize("check_id", sorted(CHECKS))
def test_good_records_pass(check_id: str, case_folder: Path, load_case: Loader) -> None:
    """A record of good.csv raises nothing, and every check can evaluate some of them."""
    samples = load_case(case_folder / check_id / "good.csv")

    findings, evaluated = run_check(CHECKS[check_id], samples, Limits())

    assert findings[["sample_id", "message"]].to_numpy().tolist() == []
    assert len(evaluated) > 0


@pytest.mark.parametrize("check_id", sorted(CHECKS))
def test_bad_records_are_found_by_their_check_alone(
    check_id: str, case_folder: Path, load_case: Loader
) -> None:
    """Every record of bad.csv is found, or, where the check looks at a whole source, every source.

    What other checks hold or reject of it is named in the column `also`; their notes are free.
    """
    samples = load_case(case_folder / check_id / "bad.csv")
    named = set(" ".join(samples.about["also"]).split()) if "also" in samples.about else set()

    findings, _ = run_check(CHECKS[check_id], samples, Limits())

    assert len(findings) > 0
    if findings["sample_id"].isna().all():
        assert set(findings["file_sha256"]) == set(samples.about["file_sha256"])
    else:
        assert set(findings["sample_id"].dropna()) == set(samples.about.index)
    assert set(findings["severity"]) <= set(SEVERITIES)
    assert not findings["message"].str.contains(r"[{}]").any()
    assert {other for other in CHECKS if other != check_id and _holds(other, samples)} == named & set(CHECKS)


def test_every_check_has_its_folder_and_every_folder_its_check(case_folder: Path) -> None:
    """A folder whose check is gone would look like documentation of something."""
    folders = {path.name for path in case_folder.iterdir() if path.is_dir()}

    assert folders == set(CHECKS)
    assert all((case_folder / name / f"{kind}.csv").is_file() for name in folders for kind in ("good", "bad"))
