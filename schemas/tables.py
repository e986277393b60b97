"""Every table, declared once: its columns, what they hold, which may not be missing.

Lists of columns, words a column may hold, contracts, the exported schemas and the tables of the store
(``schemas.stored``) derive from here. A new column is one line of this file.
"""

from __future__ import annotations

from typing import Final

from schemas.columns import ACTIVITIES, ANALYTES, SEVERITIES, STAGES, VERDICTS
from schemas.fields import Field, Fields, besides, fields_named, names, number, text, time, whole
from schemas.methods import FORMS, METHODS, QUALIFIERS

# Where something stands in the files.
FILE: Final = text("file_sha256", "SHA-256 of the file", needed=True)
LINE: Final = whole("line", "Line of the file, counted from 1", needed=True, stored="INTEGER")
COLUMN: Final = text("column", "Heading of its column in the file", needed=True)
RAW_TEXT: Final = text("raw_text", "Cell as the file wrote it", needed=True)

# What a source row says beside its measurements: always text, "" where the file says nothing. The kind is that
# of the typed row; times and numbers of a row are facts of its sample.
SOURCE_ROWS: Final[Fields] = (
    text("label", "Label as the file wrote it"),
    text("client", "Client"),
    text("site", "Site of the client"),
    text("site_code", "Code of the site"),
    text("sampling_point", "Tap or outlet"),
    text("stage", "Where in the treatment", STAGES),
    text("stage_from", "What the stage was taken from; empty where it was stated"),
    text("activity", "Routine sample or control", ACTIVITIES),
    text("collected_on", "Day of sampling, maybe with the time"),
    text("collected_at_time", "Time of sampling"),
    text("time_zone", "Time zone of the times"),
    text("supply", "Water supply"),
    text("treatment", "Treatment in place"),
    text("machine", "Machine"),
    text("operator", "Who took the sample"),
    text("instrument", "Instrument or kit"),
    text("comment", "Comment"),
    text("report_id", "Number of the laboratory's report"),
    text("supersedes", "Number of the report that this one replaces"),
    time("analysed_on", "Day of analysis"),
    time("received_on", "Day on which the laboratory received the bottle"),
    text("region", "Region"),
    text("country", "Country"),
    text("latitude", "Latitude of the place, degrees north"),
    text("longitude", "Longitude of the place, degrees east"),
    text("ec_reference", "Reference temperature of conductivities"),
    text("temperature_compensation", "How the meter compensated for temperature"),
    text("tds_scale", "Scale or method of dissolved solids"),
    text("degree_per_drop", "What one drop of the kit is worth"),
    text("degree_unit", "Unit of what one drop is worth"),
    number("litres_per_day", "Water used a day", "L/d"),
    number("bypass_percent", "Share of water past the medium", "%"),
    number("counter_litres", "Reading of the water counter", "L"),
    number("nominal_ml", "Sample volume the kit is made for", "mL"),
    number("used_ml", "Sample volume used", "mL"),
    time("reagent_expiry", "Last day of the reagent"),
    text("reagent_lot", "Lot of the reagent"),
    time("calibrated_on", "Day of the last calibration"),
    text("titrant", "What was titrated with"),
    number("titrant_normality", "Concentration of the titrant in equivalents", "eq/L"),
    number("titrant_molarity", "Concentration of the titrant in moles", "mol/L"),
    number("titrant_concentration", "Concentration of the titrant, in moles or equivalents: not stated", "1"),
    number("blank_ml", "Titrant used by the blank", "mL"),
    number("titrant_factor", "Titre of the titrant", "1"),
    text("drop_convention", "Whether the drop that turns the colour was counted"),
    text("flushed", "Whether the tap was flushed"),
    text("instrument_calibration_id", "Identifier of a calibration"),
)

READINGS: Final[Fields] = (
    whole("row", "Position of its row among the rows of its file", required=True),
    Field("line", "integer", LINE.title, required=True, needed=True, stored=LINE.stored),
    COLUMN,
    text("analyte", "Quantity measured", required=True, needed=True),
    number("value", "Value in `unit`; empty if censored", needed=True),
    text("unit", "UCUM code of the unit", needed=True),
    text("basis", "What the number counts: as CaCO3, as NO3, as ion; the scale of dissolved solids", needed=True),
    text("qualifier", "< below, > above its limit; ~ approximate", QUALIFIERS),
    number("limit", "Limit of a censored value, in `unit`"),
    number("value_low", "Lower bound, in `unit`"),
    number("value_high", "Upper bound, in `unit`; empty if unbounded"),
    number("uncertainty", "Expanded uncertainty, k = 2, in `unit`"),
    text("method", "How the value was obtained", METHODS, required=True),
    text("form", "How the entry was written", FORMS, required=True),
    number("drops", "Drops counted", "1", stored="FLOAT"),
    number("degree_per_drop", "One drop at the nominal volume, as CaCO3", "mg/L"),
    number("nominal_ml", "Sample volume the kit is made for", "mL"),
    number("used_ml", "Sample volume used", "mL"),
    text("raw_text", "Cell as the file wrote it", required=True, needed=True),
    text("raw_unit", "Unit as the file wrote it"),
    text("raw_basis", "Chemical form as the file wrote it"),
    text("note", "What was converted or assumed"),
    text("instrument", "Instrument or kit"),
    text("ambiguous", "Why unit or basis is uncertain; empty if certain"),
    text("status", "What the laboratory said of the result"),
)

# One entry as text, before any number is read.
CELLS: Final[Fields] = (
    *fields_named(READINGS, "row", "line", "column", "analyte", "form", "raw_text", "raw_unit"),
    text("basis", "Chemical form as the file wrote it"),
    text("qualifier_text", "Sign of a column of remarks"),
    text("limit_text", "Detection limit of a column of its own"),
    text("limit_unit", "Unit of that limit"),
    *fields_named(READINGS, "method", "status"),
    Field("certain_number", "boolean", "A true number of a spreadsheet"),
)

PROBLEM_ROWS: Final[Fields] = (
    FILE,
    LINE,
    COLUMN,
    RAW_TEXT,
    text("problem", "Code of the problem", required=True, needed=True),
    text("detail", "What is particular about this one"),
)

_SAMPLE_ID: Final = Field(
    "sample_id", "string", "Stable identifier of the sample", required=True, unique=True, needed=True
)
OF_SAMPLE: Final = text("sample_id", _SAMPLE_ID.title, needed=True)
ABOUT: Final[Fields] = (
    Field("label", "string", "Label as the file wrote it", needed=True),
    *fields_named(SOURCE_ROWS, "client", "site", "sampling_point"),
    Field("stage", "string", "Where in the treatment", words=STAGES, needed=True),
    *fields_named(SOURCE_ROWS, "activity", "region", "country"),
    time("collected_at", "Time of sampling, UTC"),
    *fields_named(SOURCE_ROWS, "supply", "machine", "treatment", "operator", "comment"),
)
SAMPLES: Final[Fields] = (
    _SAMPLE_ID,
    *ABOUT,
    *(number(known.column, f"{known.title} {known.basis}".strip(), known.unit) for known in ANALYTES.values()),
    text(
        "verdict",
        "Worst severity found; unjudged where nothing could be compared",
        VERDICTS,
        required=True,
        needed=True,
    ),
    text("not_evaluated", "Checks that lacked an input, separated by blanks"),
)

WAITING: Final[Fields] = (
    FILE,
    COLUMN,
    text("problem", "Code of the problem, form-ambiguous where the readings are used", required=True, needed=True),
    whole("cells", "Cells that wait for the answer", needed=True),
    text("question", "What a person is asked", needed=True),
)

FILE_SHAPES: Final[Fields] = (
    text("shape", "Name of the headings of a file", needed=True),
    text("headings", "The headings, as JSON", needed=True),
    text("name", "Quantity or heading whose unit was answered; empty of a layout"),
    text("unit", "Its unit; empty of a layout, and where all of the shape was forgotten"),
    text("layout", "Layout that was confirmed, as JSON"),
    text("said_by", "Who said so"),
    time("said_at", "When"),
    text("file", "File it was said of"),
)

FINDINGS: Final[Fields] = (
    text("sample_id", "Sample; empty where the finding is about a file", needed=True),
    text("file_sha256", "SHA-256 of the file"),
    text("check_id", "Check that found it", required=True, needed=True),
    text(
        "severity", "note: usable; hold: wait for an answer; reject: impossible", SEVERITIES, required=True, needed=True
    ),
    number("observed", "What was found, in `unit`"),
    number("low", "Least that is allowed, in `unit`"),
    number("high", "Most that is allowed, in `unit`"),
    text("unit", "Unit of observed, low and high"),
    text("message", "Finding in words", required=True, needed=True),
    text("evidence", "Figures behind the finding"),
    text("reading_ids", "Readings concerned, separated by blanks"),
    text("analyte", "Quantity concerned"),
    text("severity_alone", "Severity it has by itself, where one finding about the source asks for all of them"),
)

EXPLANATIONS: Final[Fields] = (
    OF_SAMPLE,
    whole("rank", "1 is the likeliest", needed=True, stored="INTEGER"),
    text("mistake", "Mistake or true state, by its key in the catalogue", needed=True),
    text("analyte", "Quantity concerned"),
    text("other_analyte", "Quantity it was exchanged with"),
    text("detail", "Unit, form or factor meant"),
    number("probability", "How likely it is", "1"),
    text("evidence", "Relations that decide"),
    text("title", "Explanation in words"),
    number("value_from", "Value as read, in `unit`"),
    number("value_to", "Value it would be, in `unit`"),
    text("unit", "Unit of the values"),
    Field("pattern", "boolean", "True where it is a mistake of the whole file"),
)

# One mistake behind many rows of a file, an instrument or an operator.
PATTERNS: Final[Fields] = (
    FILE,
    text("scope", "What shares the mistake: file, instrument or operator"),
    *fields_named(EXPLANATIONS, "analyte", "other_analyte", "mistake", "detail"),
    whole("samples", "Samples concerned"),
    number("share", "Share of the samples that could show it", "1"),
    number("probability", "How likely it is", "1"),
    text("message", "Pattern in words", needed=True),
)

ASSESSMENTS: Final[Fields] = (
    OF_SAMPLE,
    text("quantity", "What was worked out", needed=True),
    number("value", "Its value in `unit`", needed=True),
    number("low", "Lower bound, in `unit`"),
    number("high", "Upper bound, in `unit`"),
    text("unit", "Unit of value, low and high"),
    text("method", "How it was worked out"),
)

ADVICE: Final[Fields] = (
    text("client", "Client", needed=True),
    text("site", "Site of the client", needed=True),
    text("sample_id", "Sample the advice is about"),
    text("decision", "decided, conditional or cannot advise", needed=True),
    *(text(name, title) for name, title in (
        ("treatment", "What to fit"),
        ("settings", "How to set it, as JSON"),
        ("predicted", "Water it makes, as JSON"),
        ("reasons", "Why"),
        ("conditions", "On what it depends"),
        ("cautions", "What to mind"),
    )),
)  # fmt: skip

SOURCE_FILES: Final[Fields] = (
    Field("file_sha256", "string", FILE.title, unique=True, needed=True),
    text("name", "Name of the file", needed=True),
    whole("bytes", "Its size", needed=True),
    text("layout", "Layout it was read by"),
    text("encoding", "Encoding of its text"),
    text("delimiter", "What separates its cells"),
    text("decimal_mark", "Its decimal mark"),
    whole("lines", "Its lines"),
    whole("entries", "Measurement cells"),
    whole("accepted", "Readings accepted"),
    whole("set_aside", "Entries set aside"),
    text("status", "What became of it"),
    text("shape", "Name of its headings; several tables are separated by blanks"),
)

CHECK_RUNS: Final[Fields] = (
    text("check_id", "Check", needed=True),
    whole("evaluated", "Samples it could judge", needed=True),
    whole("not_evaluated", "Samples that lacked an input", needed=True),
    whole("flagged", "Samples with a finding", needed=True),
)

# Registers are kept as written: every column is text.
_KEPT: Final[Fields] = tuple(text(field.name, field.title) for field in SOURCE_ROWS)
_OWNER: Final[Fields] = (ADVICE[0], ADVICE[1])
SITE_REGISTER: Final[Fields] = (
    *_OWNER,
    *fields_named(
        _KEPT, "site_code", "region", "country", "supply", "machine", "treatment", "litres_per_day", "comment"
    ),
)
MACHINE_REGISTER: Final[Fields] = (
    *_OWNER,
    text("machine", "Machine", needed=True),
    *fields_named(_KEPT, "litres_per_day", "comment"),
)
TREATMENT_REGISTER: Final[Fields] = (
    *_OWNER,
    text("treatment", "Treatment in place", needed=True),
    *fields_named(_KEPT, "machine"),
    text("capacity", "What its medium can take"),
    text("capacity_unit", "Unit of the capacity"),
    text("installed_on", "Day on which it was fitted"),
    *fields_named(_KEPT, "bypass_percent", "counter_litres", "litres_per_day", "comment"),
)

ROW_FIELDS: Final[tuple[str, ...]] = tuple(names(SOURCE_ROWS))
CELL_COLUMNS: Final[tuple[str, ...]] = tuple(names(CELLS))
READING_COLUMNS: Final[list[str]] = names(READINGS)
ABOUT_COLUMNS: Final[list[str]] = names(ABOUT)
PROBLEM_COLUMNS: Final[list[str]] = names(PROBLEM_ROWS)
FINDING_COLUMNS: Final[list[str]] = names(besides(FINDINGS, "analyte", "severity_alone"))
EXPLANATION_COLUMNS: Final[tuple[str, ...]] = tuple(names(EXPLANATIONS))
PATTERN_COLUMNS: Final[tuple[str, ...]] = tuple(names(PATTERNS))
QUANTITY_COLUMNS: Final[list[str]] = names(ASSESSMENTS)
COORDINATES: Final = ("latitude", "longitude")
# Columns without a place of their own in the store stand among a site's further facts.
SITE_COLUMNS: Final[tuple[str, ...]] = (*names(SITE_REGISTER), *COORDINATES, "drain", "plumbed", "bypass_percent")
TREATMENT_COLUMNS: Final[tuple[str, ...]] = tuple(names(TREATMENT_REGISTER))
