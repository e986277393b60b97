"""`take`: the change that a ranked cause makes to the readings becomes their correction."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.limits import Limits
from pipeline.checks.record_dates import DateLimits
from pipeline.deciding.bottles import exchange_bottles
from pipeline.deciding.consequences import Consequences
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.explain.mistakes.catalogue import catalogue
from pipeline.explain.record import ROWS, record_of
from pipeline.prove import prove
from pipeline.stages import Silent
from pipeline.store.decide import corrections_of, counting_readings
from pipeline.store.table import neighbourhood, sample_table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.deciding.consequences import Answering
    from pipeline.explain.mistakes.candidate import Candidate
    from pipeline.explain.record import Record
    from pipeline.normalise.sample_table import SampleTable
    from pipeline.store.database import Store

_BOTTLES: Final = "swapped-samples"
# What is true of the water, the plant or the record: taking it keeps the readings as they are.
_TRUE: Final = ("no-mistake", "softened-water", "soda-water", "source-change", "exhausted-media", "bypass-moved")
# What names no value that could be written in place of the one that was read.
_WITHOUT_VALUE: Final = {
    "none-of-these": "it names no value",
    "missing-ion": "the ion was not measured; no reading changes",
    "copied-reading": "the true readings are not known",
    "instrument-fault": "the true reading is not known",
}
_KEYS: Final = ("mistake", "analyte", "other_analyte", "detail")
_SECOND: Final = "second "
_CLOSE: Final = 1e-3  # relative: two numbers that were rounded once


def can_be_taken(mistake: str) -> bool:
    """Tell whether a cause says what to put in place of what was read, or that it is right as it was read."""
    return mistake not in _WITHOUT_VALUE


def taken_cause(case: Answering) -> Consequences:
    """Apply the cause of a rank to the sample, or the cause of a whole source to all samples that share it.

    Raises
    ------
    KettlestoneError : there is no such cause, or it names no value.
    """
    samples, causes = _ranked(case)
    rank = case.answer.cause or 1
    chosen = causes[causes["rank"] == rank]
    if chosen.empty:
        listed = "\n".join(f"    {row['rank']}  {row['title']}" for row in causes.to_dict("records"))
        raise KettlestoneError(
            f"finding {case.answer.finding_id} has no cause {rank}.\n  {UNCHANGED}\n"
            + (f"  Causes:\n{listed}" if listed else "  kettlestone explain SAMPLE looks for causes.")
        )
    cause = chosen.iloc[0]
    detail = f"cause {rank}: {str(cause['title']).rstrip('.')}"
    if cause["mistake"] in _TRUE:
        return Consequences(detail=detail)
    if cause["mistake"] == _BOTTLES:
        return exchange_bottles(case)
    if cause["mistake"] in _WITHOUT_VALUE:
        raise KettlestoneError(
            f'finding {case.answer.finding_id}: "{cause["title"]}" cannot be taken: '
            f"{_WITHOUT_VALUE[cause['mistake']]}.\n  {UNCHANGED}\n"
            "  Take another cause with --cause, write the right value with correct --value, or ask for a repeat."
        )
    return _changed(case, samples, cause, detail)


def _ranked(case: Answering) -> tuple[SampleTable, pd.DataFrame]:
    """Give the samples that are meant, and the causes by rank: as stored with the finding, else looked for now."""
    if pd.isna(case.found["sample_id"]):
        return sample_table(case.store, case.samples), _pattern(case)
    sample_id = str(case.found["sample_id"])
    samples = neighbourhood(case.store, sample_id)
    stored = case.store.connection.execute(
        "SELECT e.* FROM explanation AS e JOIN sample USING (sample_id, batch_id) WHERE sample_id = ? ORDER BY rank",
        [sample_id],
    ).df()
    if len(stored):
        return samples, stored
    own = np.asarray(samples.about.index == sample_id)
    proof = prove(samples, Limits((DateLimits.at(case.now),)), lambda _: own, Silent(), asked=own, tolerant=True)
    return samples, pd.DataFrame(columns=["rank", "title"]) if proof.causes is None else proof.causes.explanations


def cause_like(case: Answering, finding_id: int, rank: int) -> int | None:
    """Find which cause of a whole file is the one that was taken for another file; None where it has none like it.

    Parameters
    ----------
    case : the finding on the file.
    finding_id : the finding that was answered for the other file.
    rank : of the cause that was taken there.
    """
    if not pd.isna(case.found["sample_id"]):
        return None
    told = case.store.connection.execute(
        "SELECT batch_id, file_sha256 FROM finding WHERE finding_id = ? AND sample_id IS NULL", [finding_id]
    ).df()
    if told.empty:
        return None
    before = _common(case.store, told.iloc[0])
    both = before[before["rank"] == rank].merge(_pattern(case), on=_KEYS, suffixes=("_before", ""))
    return None if both.empty else int(both["rank"].iloc[0])


def _pattern(case: Answering) -> pd.DataFrame:
    """Give what the whole source has in common, the likeliest first."""
    return _common(case.store, case.found).assign(value_from=np.nan, value_to=np.nan)


def _common(store: Store, found: pd.Series) -> pd.DataFrame:
    return store.connection.execute(
        """
        SELECT mistake, analyte, other_analyte, detail, message AS title,
            row_number() OVER (ORDER BY probability DESC NULLS LAST, samples DESC) AS rank
        FROM pattern WHERE batch_id = ? AND file_sha256 = ? ORDER BY rank
        """,
        [found["batch_id"], found["file_sha256"]],
    ).df()


def _changed(case: Answering, samples: SampleTable, cause: pd.Series, detail: str) -> Consequences:
    """Turn what a cause changes into corrections of the readings."""
    record = record_of(samples)
    at = record.index.get_indexer(pd.Index(case.samples if pd.isna(case.found["sample_id"]) else [cause["sample_id"]]))
    part = record.take(at)
    changes = _values(part, cause)
    parts = [_corrected(case, part.index, name, old, new) for name, (old, new) in changes.items()]
    readings = pd.concat([part for part in parts if len(part)], ignore_index=True) if parts else pd.DataFrame()
    if readings.empty:
        raise KettlestoneError(
            f'"{cause["title"]}" changes no reading that counts now.\n  {UNCHANGED}\n'
            "  kettlestone explain SAMPLE shows what is likely now."
        )
    alone = readings.iloc[0] if len(readings) == 1 else None
    return Consequences(
        readings=readings,
        samples=frozenset(readings["sample_id"].astype("str")),
        detail=detail,
        analyte="" if alone is None else str(alone["analyte"]),
        value=None if alone is None else float(alone["value"]),
        unit="" if alone is None else str(alone["unit"]),
        basis="" if alone is None else str(alone["basis"]),
    )


def _values(record: Record, cause: pd.Series) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Give, by name of the row, what was received and what a cause makes of it, as the readings are stored."""
    named = [one for one in catalogue() if one.change and _key(one) == tuple(cause[name] for name in _KEYS)]
    candidates = [(one, one.change(record)) for one in named if one.change]
    told = cause["value_to"]
    for one, change in candidates:
        found = {ROWS[row]: _stored(record, one, row, values) for row, values in change.items()}
        own = found.get(ROWS[one.row])
        if own is None or pd.isna(told) or bool(np.isclose(own[1], told, rtol=_CLOSE).any()):
            return found
    return {}


def _key(candidate: Candidate) -> tuple[str, str, str, str]:
    return candidate.mistake, candidate.analyte, candidate.other, candidate.detail


def _stored(record: Record, candidate: Candidate, row: int, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give a count its half drop back, which the record takes for the middle of its interval."""
    before, half = record.amounts[row], record.half[row]
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(before > 0, values / before, 1.0)
    added = half if candidate.mistake == "miscount" else half * scale
    return before + half, values + added


def _corrected(case: Answering, owners: pd.Index, name: str, old: np.ndarray, new: np.ndarray) -> pd.DataFrame:
    """Lay out the corrections of one quantity: of each sample the reading that the change was worked out from."""
    code = name.removeprefix(_SECOND)
    if code not in ANALYTES:
        return pd.DataFrame()
    changed = ~np.isnan(new) & ~np.isclose(new, old, rtol=1e-9)
    told = pd.DataFrame({"old": old[changed], "new": new[changed]}, index=owners[changed])
    rows = counting_readings(
        case.store, "list_contains(?, r.sample_id) AND r.analyte = ?", [list(told.index), code]
    ).join(told, on="sample_id")
    rows = rows.assign(gap=(rows["value"] - rows["old"]).abs())
    rows = rows[rows["gap"] <= _CLOSE * rows["old"].abs()]
    rows = rows.sort_values(["sample_id", "gap"], kind="stable").drop_duplicates("sample_id")
    ratio = (rows["new"] / rows["value"]).to_numpy()
    scaled = {
        column: rows[column].to_numpy(dtype="float64") * ratio for column in ("value_low", "value_high", "uncertainty")
    }
    return corrections_of(
        rows.assign(
            **{**scaled, "value": rows["new"]},
            form="corrected",
            raw_text=rows["new"].map("{:.6g}".format),
            raw_unit=rows["unit"],
            drops=np.nan,
            ambiguous="",
        )
    )
