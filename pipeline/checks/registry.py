"""The register of checks: what each one is called, why it matters, and how its numbers become findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.problems import fill
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable

Flags = npt.NDArray[np.bool_]
CheckFunction = Callable[["SampleTable", "Limits"], pd.DataFrame]

FINDING_COLUMNS: Final[list[str]] = [
    "sample_id",
    "file_sha256",
    "check_id",
    "severity",
    "observed",
    "low",
    "high",
    "unit",
    "message",
    "evidence",
    "reading_ids",
]


@dataclass(frozen=True)
class Check:
    """One check as the register knows it.

    ``severity`` is the severity of a finding unless the function returns a `severity` column.
    ``message`` is a {name} template over the function's columns; ``title`` is what must hold.
    """

    check_id: str
    title: str
    rationale: str
    source: str
    severity: str
    unit: str
    message: str
    function: CheckFunction


CHECKS: Final[dict[str, Check]] = {}
# What a message may call a quantity by, and what people call it; the longer name first.
_NAMES: Final[dict[str, str]] = {
    name: f"{analyte.title[0].lower()}{analyte.title[1:]}" if analyte.code != "ph" else "pH"
    for analyte in ANALYTES.values()
    for name in (analyte.column, analyte.code)
    if "_" in name
}


def check(
    check_id: str, *, title: str, source: str, severity: str, message: str, unit: str = ""
) -> Callable[[CheckFunction], CheckFunction]:
    """Register a check. The function's docstring is its rationale, shown by ``kettlestone checks ID``.

    The function returns one row per case it could evaluate (a sample, a reading, a source): index
    `sample_id`, or a column `sample_id` (missing for a finding about a whole source, then with a column
    `file_sha256`); `observed`, `low`, `high`: the acceptable range, open where missing; optionally
    `severity`, `alternative` (the other reading that would fit, as text), `analyte` (a space-separated
    list of the quantities involved) and any number of further columns, which are the evidence.
    A row is a finding when `observed` lies outside the range. Missing `observed` = not evaluated.
    """

    def register(function: CheckFunction) -> CheckFunction:
        if check_id in CHECKS:
            raise ValueError(f"two checks are called {check_id}")
        rationale = (function.__doc__ or "").strip()
        CHECKS[check_id] = Check(check_id, title, rationale, source, severity, unit, message, function)
        return function

    return register


def run_check(entry: Check, samples: SampleTable, limits: Limits) -> tuple[pd.DataFrame, Flags]:
    """Run one check.

    Returns
    -------
    findings : FINDING_COLUMNS plus `analyte`.
    evaluated : (n,) True for the samples the check could evaluate.
    """
    return findings_of(entry, entry.function(samples, limits), samples.about.index)


def findings_of(entry: Check, result: pd.DataFrame, index: pd.Index) -> tuple[pd.DataFrame, Flags]:
    """Turn what a check's function returned into findings.

    Parameters
    ----------
    entry : the check.
    result : as described at ``check``.
    index : the samples, `sample_id`.

    Returns
    -------
    findings, evaluated : as ``run_check``.
    """
    evaluated = np.zeros(len(index), dtype="bool")
    known = result["observed"].notna().to_numpy()
    if "sample_id" in result:
        place = index.get_indexer(pd.Index(result["sample_id"].to_numpy()[known]))
        evaluated[place[place >= 0]] = True
    elif result.index.equals(index):
        evaluated = known
    else:
        evaluated[index.get_indexer(result.index[known])] = True
    outside = (result["observed"] < result["low"]) | (result["observed"] > result["high"])
    flagged = result[known & outside.to_numpy()]
    if flagged.empty:
        return no_findings(), evaluated
    if "sample_id" not in flagged:
        flagged = flagged.rename_axis("sample_id").reset_index()
    return _findings(entry, flagged.reset_index(drop=True)), evaluated


@cache
def no_findings() -> pd.DataFrame:
    """Give an empty table of findings."""
    numbers = {"observed", "low", "high"}
    kinds = {name: "float64" if name in numbers else "str" for name in (*FINDING_COLUMNS, "analyte")}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def _findings(entry: Check, flagged: pd.DataFrame) -> pd.DataFrame:
    known = {"sample_id", "file_sha256", "severity", "reading_ids", "analyte", "observed", "low", "high"}
    given = {name: flagged[name].astype("str") for name in ("severity", "reading_ids", "analyte") if name in flagged}
    source = flagged["file_sha256"] if "file_sha256" in flagged else pd.Series(np.nan, index=flagged.index)
    return pd.DataFrame(
        {
            "sample_id": flagged["sample_id"].astype("str"),
            "file_sha256": source.astype("str"),
            "check_id": entry.check_id,
            "severity": given.get("severity", entry.severity),
            "observed": flagged["observed"].astype("float64"),
            "low": flagged["low"].astype("float64"),
            "high": flagged["high"].astype("float64"),
            "unit": entry.unit,
            "message": _in_words(fill(entry.message, flagged)),
            "evidence": _json(flagged[[column for column in flagged if column not in known]]),
            "reading_ids": given.get("reading_ids", ""),
            "analyte": given.get("analyte", ""),
        }
    )


def _in_words(messages: pd.Series) -> pd.Series:
    """Name quantities as people do: total hardness, not total_hardness_mg_l_caco3."""
    named = messages.str.contains("_", regex=False).to_numpy(dtype="bool")
    if not named.any():
        return messages
    text = pa.array(messages[named], type=pa.string(), from_pandas=True)
    for name, words in _NAMES.items():
        text = pc.replace_substring(text, name, words)
    worded = messages.to_numpy(dtype=object)
    worded[named] = text.to_numpy(zero_copy_only=False)
    return pd.Series(worded, index=messages.index, dtype="str")


def _json(evidence: pd.DataFrame) -> pd.Series:
    """Write the evidence columns of every row as one JSON object, column-wise."""
    if evidence.empty or not len(evidence.columns):
        return pd.Series("{}", index=evidence.index, dtype="str")
    members = []
    for name, column in evidence.items():
        key = f'"{name}": '
        if pd.api.types.is_numeric_dtype(column):
            numbers = np.round(column.to_numpy(dtype="float64"), 6)
            text = pc.cast(pa.array(np.where(np.isfinite(numbers), numbers, np.nan), from_pandas=True), pa.string())
        else:
            raw = pa.array(column.astype("str"), type=pa.string(), from_pandas=True)
            plain = pc.replace_substring(pc.replace_substring(raw, "\\", "\\\\"), '"', '\\"')
            text = pc.binary_join_element_wise('"', pc.replace_substring_regex(plain, r"[\x00-\x1f]", " "), '"', "")
        members.append(pc.binary_join_element_wise(key, text.fill_null("null"), ""))
    joined = pc.binary_join_element_wise(*members, ", ")
    return pd.Series(pc.binary_join_element_wise("{", joined, "}", "").to_pandas(), index=evidence.index, dtype="str")
