"""The tables of the store: which frame goes into which, and the columns that the migrations make.

A test compares this with a new store and prints the statements that a numbered migration lacks.
"""

from __future__ import annotations

from typing import Final

from schemas.columns import WIDE_COLUMNS
from schemas.fields import Fields, besides, fields_named, needed, number, of_kind, text, time, whole
from schemas.tables import (
    ABOUT,
    ADVICE,
    ASSESSMENTS,
    CHECK_RUNS,
    EXPLANATIONS,
    FILE,
    FILE_SHAPES,
    FINDINGS,
    LINE,
    MACHINE_REGISTER,
    OF_SAMPLE,
    PATTERNS,
    PROBLEM_ROWS,
    READINGS,
    SAMPLES,
    SITE_REGISTER,
    SOURCE_FILES,
    SOURCE_ROWS,
    TREATMENT_REGISTER,
    WAITING,
)

_BATCH_ID: Final = text("batch_id", "Batch it came with", needed=True)
_OTHER: Final = text("other", "Further columns of the files, as JSON")
_OF_REGISTER: Final[Fields] = (
    _OTHER,
    FILE,
    LINE,
    _BATCH_ID,
    text("entered_by", "Who typed the row in; empty where it came from a file"),
    time("entered_at", "When"),
    text("why", "Why"),
)
_TOLD: Final[Fields] = (*PROBLEM_ROWS, text("message", "Problem in words"))
# The columns of a reading that are the same in many rows are kept once.
_KIND: Final[Fields] = (
    *fields_named(READINGS, "analyte", "unit", "basis", "qualifier", "method", "form", "degree_per_drop", "nominal_ml"),
    *fields_named(READINGS, "used_ml", "raw_unit", "raw_basis", "note", "instrument", "ambiguous", "status"),
    FILE,
    *fields_named(READINGS, "column"),
)

BATCH: Final[Fields] = (
    _BATCH_ID,
    time("started_at", "Begin of the run"),
    time("finished_at", "End of the run"),
    text("version", "Version of the program"),
    text("settings", "Settings of the run, as JSON"),
    whole("entries_read", "Entries read"),
    whole("entries_accepted", "Readings accepted"),
    whole("entries_set_aside", "Entries set aside"),
)

# Frame of a batch → its columns as a batch gives them.
FRAMES: Final[dict[str, Fields]] = {
    "source_files": SOURCE_FILES,
    "samples": (*SAMPLES, FILE, LINE),
    "readings": (OF_SAMPLE, *READINGS, FILE),
    "superseded": (whole("reading_id", "Stored reading that a report of this batch replaces", needed=True),),
    "findings": FINDINGS,
    "set_aside": PROBLEM_ROWS,
    "notices": PROBLEM_ROWS,
    "waiting": WAITING,
    "file_shapes": FILE_SHAPES,
    "check_runs": CHECK_RUNS,
    "assessments": ASSESSMENTS,
    "explanations": EXPLANATIONS,
    "patterns": PATTERNS,
    "advice": ADVICE,
    "sites": SITE_REGISTER,
    "machines": MACHINE_REGISTER,
    "treatments": TREATMENT_REGISTER,
}
# Columns without which a frame says nothing; the rest may be left out and is then '' or NULL.
NEEDED: Final[dict[str, tuple[str, ...]]] = {name: tuple(needed(fields)) for name, fields in FRAMES.items()}
# Columns that other stages carry along and the tables hold elsewhere.
ELSEWHERE: Final[dict[str, tuple[str, ...]]] = {
    "samples": tuple(WIDE_COLUMNS),
    "readings": ("row", "reading_id", "new"),
    "set_aside": ("name",),
    "notices": ("name",),
}
# Frame → table, in the order of writing; samples, readings and findings have rules of their own.
TABLE_OF: Final[dict[str, str]] = {
    "source_files": "source_file",
    "superseded": "superseded",
    "set_aside": "set_aside",
    "notices": "notice",
    "waiting": "waiting",
    "file_shapes": "file_shape",
    "check_runs": "check_run",
    "assessments": "assessment",
    "explanations": "explanation",
    "patterns": "pattern",
    "advice": "advice",
    "sites": "site",
    "machines": "machine",
    "treatments": "treatment",
}

# Table → its columns.
STORED: Final[dict[str, Fields]] = {
    "batch": BATCH,
    "source_file": (*SOURCE_FILES, _BATCH_ID),
    "sample": (
        SAMPLES[0],
        *ABOUT,
        text("collected_precision", "How exact the time of sampling is"),
        *fields_named(
            SOURCE_ROWS, "report_id", "supersedes", "analysed_on", "received_on", "calibrated_on", "reagent_expiry"
        ),
        *fields_named(SOURCE_ROWS, "flushed", "litres_per_day", "bypass_percent", "counter_litres"),
        FILE,
        LINE,
        *fields_named(SAMPLES, "verdict", "not_evaluated"),
        whole("cells_not_read", "Cells of its rows that were set aside"),
        text("not_read", "Quantities among them, separated by blanks"),
        _OTHER,
        _BATCH_ID,
    ),
    "reading_kind": (whole("kind_id", "Number of the kind"), *_KIND),
    "reading_value": (
        whole("reading_id", "Number of the reading"),
        OF_SAMPLE,
        whole("kind_id", "Its kind"),
        *fields_named(
            READINGS, "value", "limit", "uncertainty", "value_low", "value_high", "drops", "raw_text", "line"
        ),
        whole("corrects", "Reading that this one corrects"),
        whole("decision_id", "Decision that made it"),
    ),
    "superseded": (whole("reading_id", "Reading that a later report replaces"), _BATCH_ID),
    "finding": (whole("finding_id", "Number of the finding"), *FINDINGS, _BATCH_ID),
    "check_run": (*CHECK_RUNS, _BATCH_ID),
    "explanation": (*EXPLANATIONS, _BATCH_ID),
    "pattern": (*PATTERNS, _BATCH_ID),
    "assessment": (*ASSESSMENTS, _BATCH_ID),
    "advice": (*ADVICE, _BATCH_ID),
    "site": (*SITE_REGISTER, *_OF_REGISTER),
    "machine": (*besides(MACHINE_REGISTER, "litres_per_day"), *_OF_REGISTER),
    "treatment": (
        *besides(TREATMENT_REGISTER, "machine", "capacity", "capacity_unit", "litres_per_day"),
        *_OF_REGISTER,
    ),
    "set_aside": (*_TOLD, _BATCH_ID),
    "notice": (*_TOLD, _BATCH_ID),
    "waiting": (*WAITING, _BATCH_ID),
    "file_shape": (*FILE_SHAPES, _BATCH_ID),
    "decision": (
        whole("decision_id", "Number of the decision"),
        whole("finding_id", "Finding it answers"),
        text("sample_id", "Sample concerned"),
        text("action", "accept, reject, repeat, correct, take, exchange, use-report or reopen"),
        text("decided_by", "Who decided"),
        time("decided_at", "When"),
        text("why", "Why"),
        whole("reading_id", "Reading that a correction made"),
        *fields_named(FINDINGS, "analyte"),
        number("value", "Corrected value, in `unit`"),
        text("unit", "Unit of the corrected value"),
        text("basis", "Form of the corrected value"),
        text("detail", "What the answer did, in words"),
        text("said", "The answer as it was given, as JSON"),
    ),
    "answered_too": (
        whole("decision_id", "Decision"),
        whole("finding_id", "Finding it answers beside its own"),
    ),
    "withdrawn": (
        whole("decision_id", "Decision"),
        whole("reading_id", "Reading that does not count while the decision is in force"),
    ),
    "corrected_fact": (
        whole("decision_id", "Decision"),
        text("sample_id", "Sample"),
        text("name", "Column of the sample"),
        text("before", "What it said until then"),
        text("after", "What it says while the decision is in force"),
    ),
    "journal_entry": (
        whole("number", "Number of the change in the journal beside the archive"),
        text("sha256", "Hash of its line there"),
    ),
    "repeated": (
        whole("finding_id", "Finding for which a reading was asked for again"),
        text("sample_id", "Sample that brought it"),
        _BATCH_ID,
        whole("decision_id", "Answer that waited for it"),
    ),
}
SAMPLE_TIMES: Final[list[str]] = of_kind(STORED["sample"], "datetime")


def missing_statements(present: dict[str, dict[str, str]]) -> list[str]:
    """Write the SQL that brings a store to what is declared here.

    Parameters
    ----------
    present : table → column → type, of the store.

    Returns
    -------
    statements for the next numbered migration; none where nothing is missing.

    Example
    -------
    >>> missing_statements({**_types(), "superseded": {"batch_id": "VARCHAR"}})
    ['ALTER TABLE superseded ADD COLUMN "reading_id" BIGINT;']
    """
    statements = []
    for table, columns in _types().items():
        declared = {f'"{name}" {kind}': name for name, kind in columns.items()}
        if table not in present:
            statements.append(f"CREATE TABLE {table} ({', '.join(declared)});")
            continue
        lacking = [column for column, name in declared.items() if name not in present[table]]
        statements += [f"ALTER TABLE {table} ADD COLUMN {column};" for column in lacking]
    return statements


def _types() -> dict[str, dict[str, str]]:
    return {table: {field.name: field.sql_type for field in fields} for table, fields in STORED.items()}
