"""The register of checks: what each one is called, why it matters, and how its numbers become findings."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, wraps
from typing import TYPE_CHECKING, Any, Final, Literal, overload

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.checks.columns import Cases, Plain, outside, picked, spelt
from pipeline.checks.limits import Limits, Subject
from pipeline.problems import filled
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES, VERDICTS
from schemas.tables import FINDING_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.arrays import Flags, Places
    from pipeline.normalise.sample_table import SampleTable

Bare = Callable[["SampleTable"], Cases]
Limited = Callable[["SampleTable", Subject], Cases]
Controls = Literal["none", "also", "only"]


@dataclass(frozen=True)
class Check:
    """One check as the register knows it.

    ``severity`` is the severity of a finding unless the function returns a `severity` column.
    ``message`` is a {name} template over the function's columns; ``title`` is what must hold.
    ``function`` takes the limits of the run and picks those of its subject. ``relation`` names the quantities of one
    sample that the check holds against each other; it is empty for a check of single values, dates or a source.
    ``controls``: whether it looks at blanks, standards, duplicates and spikes: at none, ``also``, or at them and what
    stands on them ``only``.
    """

    check_id: str
    title: str
    rationale: str
    source: str
    severity: str
    unit: str
    message: str
    function: Limited[Limits]
    relation: tuple[str, ...] = ()
    controls: Controls = "none"


# The relation of a check that holds several readings of any one quantity against each other.
SAME_QUANTITY: Final = "the same quantity"
CHECKS: Final[dict[str, Check]] = {}
# What a message may call a quantity by, and what people call it; the longer name first.
_NAMES: Final[dict[str, str]] = {
    name: f"{analyte.title[0].lower()}{analyte.title[1:]}" if analyte.code != "ph" else "pH"
    for analyte in ANALYTES.values()
    for name in (analyte.column, analyte.code)
    if "_" in name
}
# A column of a template, or a name that it spells out; the longer name first.
_FIELD: Final = re.compile("|".join([r"\{\w+", *sorted(_NAMES, key=len, reverse=True)]))
_NO_EVIDENCE: Final = frozenset({"file_sha256", "severity", "reading_ids", "analyte", "observed", "low", "high"})
_FOUND: Final = [name for name in (*FINDING_COLUMNS, "analyte") if name != "sample_id"]
# What a check raised: _FOUND and the `place` of each finding's sample; nothing where it raised nothing.
Raised = dict[str, Any]


@overload
def check(
    check_id: str,
    *,
    title: str,
    source: str,
    severity: str,
    message: str,
    unit: str = "",
    relation: tuple[str, ...] = (),
    controls: Controls = "none",
) -> Callable[[Bare], Bare]: ...


@overload
def check(
    check_id: str,
    *,
    title: str,
    source: str,
    limits: type[Subject],
    severity: str,
    message: str,
    unit: str = "",
    relation: tuple[str, ...] = (),
    controls: Controls = "none",
) -> Callable[[Limited[Subject]], Limited[Subject]]: ...


def check(
    check_id: str,
    *,
    title: str,
    source: str,
    limits: type[Any] | None = None,
    severity: str,
    message: str,
    unit: str = "",
    relation: tuple[str, ...] = (),
    controls: Controls = "none",
) -> Callable[[Callable[..., Cases]], Callable[..., Cases]]:
    """Register a check. The function's docstring is its rationale, shown by ``kettlestone checks ID``.

    The function takes the samples, and the limits of its subject where ``limits`` names their class: a
    frozen dataclass with a default for every limit. It returns columns by name, with one row per case it
    looked at (a sample, a reading, a source). A column is an array, a `TextColumn` of few texts, or one number
    or text for all rows: `observed`, `low`, `high`: the acceptable range, open where missing; `severity`,
    `alternative` (the other reading that would fit, as text), `analyte` (a space-separated list of the
    quantities involved), all three optional; any number of further columns, which are the evidence. The
    rows are the samples in their order unless `place` gives the position of each row's sample (-1 for a
    finding about a whole source, then with `file_sha256`). A row is a finding when `observed` lies outside
    the range. A sample counts as evaluated where `observed` is not missing, or where (n,) flags
    `evaluated` say so. A check that holds readings of one sample against each other names
    their quantities as its ``relation``: only such a check proves a sample ``ok``. Controls of the laboratory
    are among the samples only for a check that says ``controls="also"``; one that says ``"only"`` is passed over
    where there are none.
    """

    def register(function: Callable[..., Cases]) -> Callable[..., Cases]:
        if check_id in CHECKS:
            raise ValueError(f"two checks are called {check_id}")

        @wraps(function)
        def judged(samples: SampleTable, chosen: Limits) -> Cases:
            return function(samples) if limits is None else function(samples, chosen.of(limits))

        rationale = (function.__doc__ or "").strip()
        CHECKS[check_id] = Check(
            check_id, title, rationale, source, severity, unit, message, judged, relation, controls
        )
        return function

    return register


def run_check(entry: Check, samples: SampleTable, limits: Limits) -> tuple[pd.DataFrame, Flags]:
    """Run one check.

    Returns
    -------
    findings : FINDING_COLUMNS plus `analyte`.
    evaluated : (n,) True for the samples the check could evaluate.
    """
    raised, evaluated = looked_at(entry, samples, limits)
    return table_of([raised], samples.about.index), evaluated


def looked_at(entry: Check, samples: SampleTable, limits: Limits) -> tuple[Raised, Flags]:
    """Run one check: what it raises, not yet laid out, and which samples it could evaluate.

    A division by nothing is no fault in a check: what comes of it is missing, as what was not measured is.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return _examined(entry, entry.function(samples, limits), len(samples))


def findings_of(entry: Check, result: pd.DataFrame, index: pd.Index) -> tuple[pd.DataFrame, Flags]:
    """Turn a frame of cases into findings.

    Parameters
    ----------
    entry : the check.
    result : the columns described at ``check``, index `sample_id`.
    index : the samples, `sample_id`.

    Returns
    -------
    findings, evaluated : as ``run_check``.
    """
    raised, evaluated = _examined(entry, cases_of(result, index), len(index))
    return table_of([raised], index), evaluated


def cases_of(result: pd.DataFrame, index: pd.Index) -> Cases:
    """Give a frame of cases, index `sample_id`, as the columns described at ``check``."""
    return {**{str(name): column for name, column in result.items()}, "place": index.get_indexer(result.index)}


def _examined(entry: Check, result: Cases, count: int) -> tuple[Raised, Flags]:
    """Judge the cases of a check: what is raised, and which of ``count`` samples could be evaluated."""
    observed, low, high = (_numbers(result[name]) for name in ("observed", "low", "high"))
    place = np.asarray(result.get("place", np.arange(len(observed))))
    evaluated = np.zeros(count, dtype="bool")
    evaluated[place[~np.isnan(observed) & (place >= 0)]] = True
    evaluated |= np.asarray(result.get("evaluated", evaluated), dtype="bool")
    rows = np.flatnonzero(outside(observed, low, high))
    return _raised(entry, result, place[rows], rows) if len(rows) else {}, evaluated


def _numbers(column: Any) -> Any:  # noqa: ANN401 - one number for all rows, or an array of them
    return np.asarray(column, dtype="float64")


def _raised(entry: Check, result: Cases, place: Places, rows: Places) -> Raised:
    shown = {name: picked(column, rows) for name, column in result.items() if name not in ("place", "evaluated")}
    texts = {name: spelt(column) for name, column in shown.items()}
    count = len(rows)
    return {
        "place": place,
        "file_sha256": texts.get("file_sha256", pa.nulls(count, pa.string())),
        "check_id": pa.repeat(entry.check_id, count),
        "severity": texts.get("severity", pa.repeat(entry.severity, count)),
        **{name: shown[name] for name in ("observed", "low", "high")},
        "unit": pa.repeat(entry.unit, count),
        "message": _in_words(filled(_worded(entry.message), texts)),
        "evidence": _json({name: column for name, column in shown.items() if name not in _NO_EVIDENCE}, count),
        "reading_ids": texts.get("reading_ids", pa.repeat("", count)),
        "analyte": texts.get("analyte", pa.repeat("", count)),
    }


def places_of(parts: Iterable[Raised]) -> Places:
    """Give the position of each finding's sample, -1 for one about a source, in the order of ``table_of``."""
    return np.concatenate([np.zeros(0, dtype="intp"), *(part["place"] for part in parts if part)])


def table_of(parts: Iterable[Raised], index: pd.Index) -> pd.DataFrame:
    """Lay what several checks raised under one another: FINDING_COLUMNS plus `analyte`.

    Parameters
    ----------
    parts : of ``looked_at``.
    index : the samples, `sample_id`.
    """
    found = [part for part in parts if part]
    if not found:
        return no_findings()
    owner = pd.Series(index.array.take(places_of(found), allow_fill=True)).astype("str")
    return pd.DataFrame({"sample_id": owner, **{name: _joined([part[name] for part in found]) for name in _FOUND}})


def _joined(pieces: list[Plain]) -> Any:  # noqa: ANN401 - an array or a column of text
    if isinstance(pieces[0], np.ndarray):
        return np.concatenate(pieces)
    return pa.chunked_array(pieces, pa.string()).to_pandas()


def severity_ranks(findings: pd.DataFrame) -> Places:
    """Give the severity of each finding as its place among the verdicts."""
    severity = TextColumn.from_series(findings["severity"])
    return np.array([VERDICTS.index(text) for text in severity.texts], dtype="int64")[severity.codes]


@cache
def no_findings() -> pd.DataFrame:
    """Give an empty table of findings."""
    numbers = {"observed", "low", "high"}
    kinds = {name: "float64" if name in numbers else "str" for name in (*FINDING_COLUMNS, "analyte")}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def _worded(template: str) -> str:
    """Name the quantities that a template spells out as people do; the {names} of columns stay."""
    return _FIELD.sub(lambda found: found[0] if found[0].startswith("{") else _NAMES[found[0]], template)


def _in_words(messages: pa.Array) -> pa.Array:
    """Name quantities as people do: total hardness, not total_hardness_mg_l_caco3; pH, not ph."""
    messages = pc.replace_substring_regex(messages, r"\bph\b", "pH")
    named = pc.match_substring(messages, "_")
    if not pc.any(named).as_py():
        return messages
    text = messages.filter(named)
    for name, words in _NAMES.items():
        text = pc.replace_substring(text, name, words)
    return pc.replace_with_mask(messages, named, text)


def _json(evidence: dict[str, Plain], count: int) -> pa.Array:
    """Write the evidence columns of every row as one JSON object, column-wise."""
    if not evidence:
        return pa.repeat("{}", count)
    members = [
        pc.binary_join_element_wise(f'"{name}": ', _as_json(column).fill_null("null"), "")
        for name, column in evidence.items()
    ]
    return pc.binary_join_element_wise("{", pc.binary_join_element_wise(*members, ", "), "}", "")


def _as_json(column: Plain) -> pa.Array:
    if isinstance(column, np.ndarray):
        numbers = np.round(column, 6)
        return pc.cast(pa.array(np.where(np.isfinite(numbers), numbers, np.nan), from_pandas=True), pa.string())
    if isinstance(column, pa.DictionaryArray):
        return _as_json(column.dictionary).take(column.indices)
    plain = pc.replace_substring(pc.replace_substring(column, "\\", "\\\\"), '"', '\\"')
    return pc.binary_join_element_wise('"', pc.replace_substring_regex(plain, r"[\x00-\x1f]", " "), '"', "")
