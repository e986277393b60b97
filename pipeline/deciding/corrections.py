"""`correct`: the right value of a reading, or what the numbers of a reading, a column or a file count."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.deciding.answer import COLUMN, READING, quantity_of
from pipeline.deciding.consequences import Consequences
from pipeline.deciding.facts import corrected_facts_of
from pipeline.deciding.written_dates import dates_in_order
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.normalise.units import referred_to_25c, resolve
from pipeline.store.decide import corrections_of, counting_readings
from pipeline.store.reach import COLUMN_QUESTIONS
from schemas.columns import ANALYTES
from schemas.readings import SIGNED

if TYPE_CHECKING:
    from pipeline.deciding.answer import Answer
    from pipeline.deciding.consequences import Answering
    from pipeline.normalise.units import Reading

_SCALED: Final = ("value", "limit", "value_low", "value_high", "uncertainty")
_OF_A_NUMBER: Final = ("drops", "degree_per_drop", "nominal_ml", "used_ml")


def correct(case: Answering) -> Consequences:
    """Put right what a finding is about: dates of its file, facts of its samples, a value, or what numbers count."""
    done = Consequences()
    if case.answer.date_order:
        return dates_in_order(case)
    if case.answer.facts:
        done = corrected_facts_of(case)
    if not case.answer.rereads:
        return done
    numbers = _value(case) if case.answer.value is not None else _reread(case)
    return replace(
        numbers,
        facts=done.facts,
        samples=numbers.samples | done.samples,
        detail="; ".join(text for text in (done.detail, numbers.detail) if text),
    )


def quantity_in_question(answer: Answer, found: pd.Series) -> str:
    """Find which quantity is corrected: the one named, or the only one of the finding.

    Raises
    ------
    KettlestoneError : none is named, and the finding is about none or several.
    """
    if answer.analyte.strip():
        return quantity_of(answer.analyte)
    concerned = [code for code in str(found["analyte"]).split() if code in ANALYTES]
    if len(concerned) == 1:
        return concerned[0]
    choice = ", ".join(concerned or ANALYTES)
    raise KettlestoneError(
        f"finding {answer.finding_id} is not about one quantity alone; say which one is corrected.\n  {UNCHANGED}\n"
        f"  Add --analyte, one of: {choice}."
    )


def _value(case: Answering) -> Consequences:
    """Give one reading of one sample the value it should have."""
    answer, found = case.answer, case.found
    if pd.isna(found["sample_id"]):
        raise KettlestoneError(
            f"finding {answer.finding_id} is about a whole file; a value belongs to one sample.\n  {UNCHANGED}\n"
            "  Say what its numbers count (--unit, --basis or --factor), or correct its samples one by one:\n"
            "  kettlestone findings SAMPLE."
        )
    code, sample_id = quantity_in_question(answer, found), str(found["sample_id"])
    value, form = _canonical(answer, code), ANALYTES[code]
    before = counting_readings(case.store, "r.sample_id = ? AND r.analyte = ?", [sample_id, code]).head(1)
    rows = corrections_of(before) if len(before) else _never_read(case, sample_id, code)
    readings = rows.assign(
        **dict.fromkeys((*_SCALED, *_OF_A_NUMBER), np.nan),
        qualifier="",
        unit=form.unit,
        basis=form.basis,
        form="corrected",
        raw_text=f"{answer.value:g}",
        raw_unit=answer.unit or form.unit,
        raw_basis=answer.basis,
        ambiguous="",
    ).assign(value=value)
    return Consequences(
        readings=readings, samples=frozenset({sample_id}), analyte=code, value=value, unit=form.unit, basis=form.basis
    )


def _never_read(case: Answering, sample_id: str, code: str) -> pd.DataFrame:
    """Lay out a reading of a quantity that its sample has none of."""
    place = case.store.connection.execute("SELECT file_sha256, line FROM sample WHERE sample_id = ?", [sample_id]).df()
    nothing = dict.fromkeys(("column", "instrument", "status"), "")
    rows = place.assign(sample_id=sample_id, analyte=code, method="unknown", reading_id=0, decision_id=0, **nothing)
    return corrections_of(rows.assign(corrects=pd.array([None], dtype="Int64")))


def _canonical(answer: Answer, code: str) -> float:
    """Bring the value into the canonical unit of its quantity."""
    meaning = _meaning(code, answer.unit, answer.basis)
    value = meaning.factor * float(answer.value or 0.0) + meaning.offset
    if not math.isfinite(value) or (value < 0 and code not in SIGNED):
        raise KettlestoneError(f"{answer.value:g} {answer.unit} cannot be a {_title(code)}.\n  {UNCHANGED}")
    return value


def _meaning(code: str, unit: str, basis: str) -> Reading:
    """Say what a unit and a form are worth for a quantity; refuse what is not clear."""
    meaning = referred_to_25c(resolve(code, unit, basis))
    if meaning.problem or meaning.ambiguous:
        unclear = meaning.ambiguous or f"no unit of {_title(code)} that is known"
        raise KettlestoneError(
            f'"{" ".join(text for text in (unit, basis) if text)}" is not clear: {unclear}.\n'
            f"  {UNCHANGED}\n  Give the unit, and the form where there are several: --unit mg/L --basis CaCO3."
        )
    return meaning


def _title(code: str) -> str:
    title = ANALYTES[code].title
    return title if code == "ph" else f"{title[0].lower()}{title[1:]}"


def _reread(case: Answering) -> Consequences:
    """Read the numbers of a reading, a column or a file as what they count."""
    code = quantity_in_question(case.answer, case.found)
    before = _readings_in_question(case, code)
    if before.empty:
        raise KettlestoneError(
            f"no {_title(code)} was read where finding {case.answer.finding_id} is about.\n  {UNCHANGED}\n"
            "  Name another quantity with --analyte, or the reach with --for reading, column or file."
        )
    ratio, offset = _change(case.answer, code, before)
    if bool((np.isclose(ratio, 1.0, rtol=1e-9) & (offset == 0.0)).all()) and not before["ambiguous"].ne("").any():
        raise KettlestoneError(
            f"the {_title(code)} is read in that unit and form already.\n  {UNCHANGED}\n"
            "  Accept the finding if it is right so: kettlestone decide N accept."
        )
    rows = corrections_of(before)
    scaled = {name: rows[name].to_numpy(dtype="float64") * ratio for name in _SCALED}
    plain = offset == 0.0
    scaled |= {name: scaled[name] + offset for name in ("value", "limit")}
    scaled |= {name: np.where(plain, scaled[name], np.nan) for name in ("value_low", "value_high", "uncertainty")}
    said = " ".join(text for text in (case.answer.unit, case.answer.basis) if text) or f"× {case.answer.factor:g}"
    readings = rows.assign(
        **scaled,
        degree_per_drop=rows["degree_per_drop"].to_numpy(dtype="float64") * ratio,
        raw_unit=case.answer.unit or rows["raw_unit"],
        raw_basis=case.answer.basis or rows["raw_basis"],
        ambiguous="",
    )
    many = len(readings)
    where = "1 reading" if many == 1 else f"{many:,} readings"
    one = {"analyte": code, "value": float(readings["value"].iloc[0])} if many == 1 else {"analyte": code}
    form = ANALYTES[code]
    return Consequences(
        readings=readings,
        samples=frozenset(readings["sample_id"].astype("str")),
        detail=f"{where} of {_title(code)} read as {said}",
        unit=form.unit,
        basis=form.basis,
        **one,
    )


def _readings_in_question(case: Answering, code: str) -> pd.DataFrame:
    """Give the readings that are meant: of the samples that are asked about, of their column, or of their file."""
    reach, found = case.answer.reach, case.found
    if reach in ("", READING) and case.samples and not (reach == READING and pd.isna(found["sample_id"])):
        asked = [str(found["sample_id"])] if reach == READING else list(case.samples)
        rows = counting_readings(case.store, "list_contains(?, r.sample_id) AND r.analyte = ?", [asked, code])
        if found["check_id"] in COLUMN_QUESTIONS and not pd.isna(found["file_sha256"]):
            rows = rows.loc[rows["file_sha256"] == found["file_sha256"]]
        return rows if len(asked) > 1 else rows.head(1)
    of_file = counting_readings(case.store, "r.file_sha256 = ? AND r.analyte = ?", [found["file_sha256"], code])
    if reach != COLUMN or pd.isna(found["sample_id"]):
        return of_file
    own = of_file.loc[of_file["sample_id"] == found["sample_id"], "column"]
    of_column: pd.DataFrame = of_file.loc[of_file["column"].isin(set(own))]
    return of_column


def _change(answer: Answer, code: str, before: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Give what each stored value is multiplied by, and what is then added."""
    if answer.factor is not None and not (answer.unit or answer.basis):
        return np.full(len(before), answer.factor), np.zeros(len(before))
    kinds = before[["raw_unit", "raw_basis", "form", "degree_per_drop"]].astype({"degree_per_drop": "float64"})
    pairs = {key: _of_kind(answer, code, *key) for key in set(map(tuple, kinds.fillna(0.0).to_numpy().tolist()))}
    each = [pairs[key] for key in map(tuple, kinds.fillna(0.0).to_numpy().tolist())]
    ratio, offset = np.array(each, dtype="float64").T
    return ratio * (answer.factor or 1.0), offset


def _of_kind(answer: Answer, code: str, raw_unit: str, raw_basis: str, form: str, degree: float) -> tuple[float, float]:
    """Say how readings that were written in one way change when their unit is another one."""
    after = _meaning(code, answer.unit or raw_unit, answer.basis or (raw_basis if not answer.unit else ""))
    if form == "drops" and degree > 0:
        return after.factor / degree, 0.0
    was = referred_to_25c(resolve(code, raw_unit, raw_basis))
    if was.problem:
        own = ANALYTES[code]
        was = resolve(code, own.unit, own.basis.removeprefix("as "))
    ratio = after.factor / was.factor
    return ratio, after.offset - was.offset * ratio
