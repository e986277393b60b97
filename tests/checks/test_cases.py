"""Every registered check is shown by a good and a bad case, and behaves on both as it says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, run_check
from pipeline.normalise.sample_table import samples_from_wide
from schemas.columns import OPEN, SEVERITIES

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.normalise.sample_table import SampleTable

    Loader = Callable[[Path], SampleTable]
    Joiner = Callable[[dict[str, SampleTable]], SampleTable]


def _also_held(samples: SampleTable) -> dict[str, set[str]]:
    """Name, for every joined case, the checks that hold or reject anything of it."""
    held: dict[str, set[str]] = {}
    for check_id, entry in CHECKS.items():
        findings, _ = run_check(entry, samples, Limits())
        strict = findings[findings["severity"].isin(OPEN)]
        where = strict["sample_id"].fillna(strict["file_sha256"])
        for name in where.str.partition("/")[0].unique() if len(strict) else ():
            held.setdefault(name, set()).add(check_id)
    return held


@pytest.mark.parametrize("check_id", sorted(CHECKS))
def test_good_records_pass(check_id: str, case_folder: Path, load_case: Loader) -> None:
    """A record of good.csv raises nothing, and every check can evaluate some of them."""
    samples = load_case(case_folder / check_id / "good.csv")

    findings, evaluated = run_check(CHECKS[check_id], samples, Limits())

    assert findings[["sample_id", "message"]].to_numpy().tolist() == []
    assert evaluated.any()


@pytest.mark.parametrize("check_id", sorted(CHECKS))
def test_bad_records_are_found(check_id: str, case_folder: Path, load_case: Loader) -> None:
    """Every record of bad.csv is found, or, where the check looks at a whole source, every source."""
    samples = load_case(case_folder / check_id / "bad.csv")

    findings, _ = run_check(CHECKS[check_id], samples, Limits())

    assert len(findings) > 0
    if findings["sample_id"].isna().all():
        assert set(findings["file_sha256"]) == set(samples.about["file_sha256"])
    else:
        assert set(findings["sample_id"].dropna()) == set(samples.about.index)
    assert set(findings["severity"]) <= set(SEVERITIES)
    assert not findings["message"].str.contains(r"[{}]").any()


def test_bad_records_are_held_by_no_other_check(case_folder: Path, load_case: Loader, join: Joiner) -> None:
    """What other checks hold or reject of a bad case is named in its column `also`; their notes are free."""
    tables = {name: load_case(case_folder / name / "bad.csv") for name in CHECKS}
    named = {
        name: set(" ".join(table.about["also"]).split()) if "also" in table.about else set()
        for name, table in tables.items()
    }

    held = _also_held(join(tables))

    assert {name: held.get(name, set()) - {name} for name in CHECKS} == named


def test_every_check_has_its_folder_and_every_folder_its_check(case_folder: Path) -> None:
    """A folder whose check is gone would look like documentation of something."""
    folders = {path.name for path in case_folder.iterdir() if path.is_dir()}

    assert folders == set(CHECKS)
    assert all((case_folder / name / f"{kind}.csv").is_file() for name in folders for kind in ("good", "bad"))


@pytest.mark.parametrize("check_id", sorted(CHECKS))
def test_a_batch_without_samples_has_no_findings(check_id: str) -> None:
    """A folder that is known already is read again: every check runs over nothing."""
    one = samples_from_wide(pd.DataFrame({"ph": [7.0], "sample_id": ["A"]}))
    none = one.where(pd.Series([False], index=one.about.index))

    findings, evaluated = run_check(CHECKS[check_id], none, Limits())

    assert findings.empty
    assert not len(evaluated)
