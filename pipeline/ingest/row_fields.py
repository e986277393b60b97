"""What a source row says beside its measurements: label, site, date, kit; one text column each."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.ingest.control_words import control_kinds, derived_controls
from pipeline.ingest.dated_headings import date_of_heading
from pipeline.ingest.fill_down import NAMED_ONCE, FilledDown, filled_down, filled_notices, visits_filled_down
from pipeline.ingest.row_parts import RowPart, common, part_fact
from pipeline.ingest.second_columns import by_weight, with_second_columns
from pipeline.ingest.spellings import key, word_table
from pipeline.ingest.stage_words import bottle_labels, derived_stages, sites_with_stages, stage_in_column
from pipeline.problems import problem_frame
from pipeline.texts import TextColumn, composed, first_rows, numbered
from schemas.columns import ACTIVITIES, STAGES
from schemas.tables import ROW_FIELDS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from pipeline.arrays import Flags
    from pipeline.ingest.entries import ColumnEntries, Source
    from pipeline.ingest.matching import Match

_CELSIUS: Final = re.compile(r"^\D*(\d{2})\s*(?:°|deg\.?|grad|o)?\s*c?\s*$", re.IGNORECASE)
_WORDS: Final = {"stage": ("stages", STAGES), "activity": ("activities", ACTIVITIES)}


@dataclass(frozen=True)
class RowFrame:
    """The (r, …) table of rows, and its columns of fixed words as codes; `row_of` is the row of each source row.

    `filled` tells of fields that rows took from above; `control_from` is the field by whose words a row was taken for
    a control, "" where none was or a column states it.
    """

    frame: pd.DataFrame
    worded: Mapping[str, TextColumn]
    control_from: TextColumn
    row_of: npt.NDArray[np.int32]
    filled: tuple[FilledDown, ...] = ()

    def part(self, rows: range) -> RowFrame:
        """Give some of the rows."""
        at = np.arange(rows.start, rows.stop)
        worded = {field: said.take(at) for field, said in self.worded.items()}
        frame = self.frame.iloc[at].reset_index(drop=True)
        return RowFrame(frame, worded, self.control_from.take(at), np.arange(len(at), dtype=np.int32))


def row_frame(
    source: Source,
    blocks: Sequence[ColumnEntries],
    parts: Sequence[RowPart],
    at: npt.NDArray[np.int64],
    part: npt.NDArray[np.int64],
    facts: Mapping[int, Mapping[str, str]],
    name: str,
) -> RowFrame:
    """Build the table of rows.

    Parameters
    ----------
    source, blocks : the table and its entries.
    parts : the distinct parts; ``part`` says which one each row is.
    at : (r,) position among the body rows.
    facts : of ``facts_of_samples``.
    name : of the file; it labels a report that has no other label.

    Returns
    -------
    RowFrame: `line` and ROW_FIELDS as text, "" where nothing is said. Columns that say nothing share
    one array, so they cost no memory. Source rows of a long table that say the same of the same label are
    one row, at the line of the first of them.
    """
    which = part.astype(np.int32)
    stated = {field: _field(source, field, parts, at, which, facts) for field in ROW_FIELDS}
    stated, filled = _with_names_above(source, stated, at)
    stated = with_second_columns(source, stated, at)
    stated = _stage_words_as_points(_named_with_points(source, stated))
    stated = _unknown_stages_as_points(_stages_as_kinds(stated))
    stated["stage"], stated["stage_from"] = _with_derived_stage(stated, name)
    stated["activity"], control_from = _with_derived_control(stated)
    for field in ("ec_reference", "tds_scale", "temperature_compensation"):
        stated[field] = stated[field].otherwise(_named_by_entries(source, blocks, field, at))
    if not any(stated["label"].texts) and source.match.orientation != "samples-in-rows":
        # What has a place of its own needs no name from the file, which would make one sample of all places.
        nowhere = ~(stated["site"].stated() | stated["sampling_point"].stated())
        stated["label"] = TextColumn.constant("", len(at)).where(nowhere, name)
    first, row_of = _distinct(source, stated, at) if source.match.orientation != "samples-in-rows" else _each(len(at))
    stated = {field: said.kept(first) for field, said in stated.items()}
    lines = pd.Series(source.grid.line[source.rows[at[first]]].astype(np.int32))
    nothing = TextColumn.constant("", len(first)).series()
    columns = {field: said.series() if any(said.texts) else nothing for field, said in stated.items()}
    worded = {field: stated[field] for field in ("stage", "activity")}
    return RowFrame(
        pd.DataFrame({"line": lines, **columns}, copy=False), worded, control_from.kept(first), row_of, filled
    )


def _with_names_above(
    source: Source, stated: Mapping[str, TextColumn], at: npt.NDArray[np.int64]
) -> tuple[dict[str, TextColumn], tuple[FilledDown, ...]]:
    """Let a name that is written once hold for the rows below it."""
    fields, told = dict(stated), []
    for field in NAMED_ONCE:
        columns = [c for c in source.match.columns if c.role == "about" and c.code == field and not c.analyte]
        if columns:
            fields[field], one = filled_down(source, columns, fields[field], at)
            told += [one] if one else []
    fields, of_visits = visits_filled_down(source, fields, at)
    return fields, (*told, *of_visits)


def _each(size: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    return np.arange(size), np.arange(size, dtype=np.int32)


def _distinct(
    source: Source, stated: Mapping[str, TextColumn], at: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    """Find the rows that say something new in their table, in their order, and the one that speaks for each row."""
    size = len(stated["label"])
    named = stated["label"].stated() | stated["site"].stated() | stated["sampling_point"].stated()
    if not size or not named.all():
        return _each(size)
    varied = [said for said in stated.values() if len(said.texts) > 1] or [stated["label"]]
    number = numbered([*varied, (source.table_of(at), len(source.last_lines) + 1)])
    return first_rows(number), number.astype(np.int32)


def _field(
    source: Source,
    field: str,
    parts: Sequence[RowPart],
    at: npt.NDArray[np.int64],
    part: npt.NDArray[np.int32],
    facts: Mapping[int, Mapping[str, str]],
) -> TextColumn:
    """Collect one field: of the part, of its columns, of the text above the table, of the layout."""
    layout, match = source.match.layout, source.match
    columns = [column for column in match.columns if column.role == "about" and column.code == field]
    shared = by_weight([column for column in columns if not column.analyte])
    of_parts = TextColumn(part, tuple(part_fact(one, field, facts) for one in parts))
    for number, one in enumerate(parts):
        special = [c for c in columns if c.analyte and c.analyte == one.test and c.stage in ("", one.stage)]
        if special:
            of_parts = source.first_stated(special, at).over(of_parts, part == number)
    last = TextColumn.constant(layout.about.get(field, "") or _of_headings(match, field), len(at))
    stated = of_parts.otherwise(source.first_stated(shared, at)) if shared else of_parts
    return _in_words(field, stated.otherwise(source.stated_above(field, at).otherwise(last)))


def _stage_words_as_points(stated: dict[str, TextColumn]) -> dict[str, TextColumn]:
    """Take "Rohwasser", or "Bar 1 nach Filter" beside "Bar 1", under a heading of sites for a point of the site."""
    parted = sites_with_stages(stated["site"])
    worded = stated["site"].isin(parted) & ~stated["sampling_point"].stated()
    if not worded.any():
        return stated
    site, point = (stated["site"].map(lambda text, at=at: parted.get(text, ("", ""))[at]) for at in (0, 1))  # type: ignore[misc]
    return {
        **stated,
        "sampling_point": point.over(stated["sampling_point"], worded),
        "site": site.over(stated["site"], worded),
    }


def _unknown_stages_as_points(stated: dict[str, TextColumn]) -> dict[str, TextColumn]:
    """Let a word under "Stage" that names none tell its water from the others of the same name, as their point."""
    unknown = ~stated["stage"].isin(("", *STAGES))
    point = stated["sampling_point"]
    return {**stated, "sampling_point": point.otherwise(stated["stage"].where(~unknown, ""))}


def _stages_as_kinds(stated: dict[str, TextColumn]) -> dict[str, TextColumn]:
    """Take "roh" or "behandelt" under "Probenart", which is also the heading of kinds of controls, for a stage."""
    words = word_table("stages")
    stage = stated["activity"].map(lambda text: words.get(key(text), ""))
    named = stage.stated() & ~stated["stage"].stated()
    if not named.any():
        return stated
    return {
        **stated,
        "stage": stage.over(stated["stage"], named),
        "activity": stated["activity"].where(named, ""),
    }


def _with_derived_stage(stated: Mapping[str, TextColumn], name: str) -> tuple[TextColumn, TextColumn]:
    """Fill in the stage from the words of sampling point, label, remark or file name where none is stated.

    Beside it stands where it came from.
    """
    derived, origin = derived_stages(stated["sampling_point"], stated["label"])
    bottled, from_label = bottle_labels(stated, name)
    derived, origin = derived.otherwise(bottled), origin.otherwise(from_label)
    silent = ~stated["stage"].stated()
    return stated["stage"].otherwise(derived), origin.where(~silent, "")


def _with_derived_control(stated: Mapping[str, TextColumn]) -> tuple[TextColumn, TextColumn]:
    """Fill in the kind of control where no kind is stated, and say where it came from."""
    derived, origin = derived_controls(stated)
    silent = ~stated["activity"].isin(ACTIVITIES) & derived.stated()
    return derived.over(stated["activity"], silent), origin.where(~silent, "")


def _named_with_points(source: Source, stated: dict[str, TextColumn]) -> dict[str, TextColumn]:
    """Let the rows' own points tell samples apart that stand in one column: "North | 2025-01", "South | 2025-01".

    What is called by its point needs no date for a label; any other heading is kept behind the name of the point.
    """
    in_rows = any(column.role == "about" and column.code == "sampling_point" for column in source.match.columns)
    titled = "sampling_point" in source.match.preamble and all(map(date_of_heading, stated["label"].texts))
    several = in_rows and len(set(stated["sampling_point"].texts)) > 1
    if source.match.orientation != "parameters-in-rows" or not (several or titled):
        return stated
    label = composed(
        [stated["sampling_point"], stated["label"]],
        lambda point, said: "" if point and date_of_heading(said) else f"{point} {said}".strip(),
    )
    return {**stated, "label": label}


def _of_headings(match: Match, field: str) -> str:
    """Give what the headings themselves state for all rows."""
    if field == "time_zone":
        return common([column for column in match.columns if column.role == "about"], "time_zone")
    if field == "titrant":
        said = {
            column.basis for column in match.columns if column.role == "about" and column.code.startswith("titrant_")
        }
        return (said - {""}).pop() if len(said - {""}) == 1 else ""
    if field in ("ec_reference", "tds_scale"):
        analyte = "conductivity" if field == "ec_reference" else "tds"
        columns = [column for column in match.measured if column.analyte == analyte]
        stated = {getattr(column, field) for column in columns}
        return common(columns, field) if len(stated) == 1 else ""
    return ""


def _in_words(field: str, stated: TextColumn) -> TextColumn:
    """Write stages and activities in the words of the project; other words stay as written."""
    if field == "ec_reference":
        return stated.map(lambda text: f"{found[1]} °C" if (found := _CELSIUS.match(text)) else text)
    if field not in _WORDS:
        return stated
    if field == "stage":
        return stated.map(lambda text: text if text in STAGES else stage_in_column(text) or text)
    words = word_table(_WORDS[field][0])
    said = stated.map(lambda text: words.get(key(text), text))
    if field == "activity":
        unknown = ~said.isin(("", *ACTIVITIES))
        kinds = control_kinds(said, of_kinds=True)
        return kinds.over(said, unknown & kinds.stated())
    return said


def _named_by_entries(
    source: Source, blocks: Sequence[ColumnEntries], field: str, at: npt.NDArray[np.int64]
) -> TextColumn:
    """Spread what names and units of a long table state ("Leitfähigkeit bei 20 °C") over its rows."""
    codes = np.zeros(len(source.rows), dtype="int32")
    texts = [""]
    for block in blocks:
        said = block.about.get(field)
        if said is not None and any(said.texts):
            codes[block.at] = said.codes.astype("int32") + len(texts)
            texts.extend(said.texts)
    return TextColumn(codes[at], tuple(texts)).distinct()


def field_headings(match: Match) -> dict[str, str]:
    """Give the heading under which a table states each field; of several columns the first."""
    found: dict[str, str] = {}
    for column in match.columns:
        if column.role == "about" and column.heading.strip():
            found.setdefault(column.code, " ".join(column.heading.split()))
    return found


def remarkable(rows: RowFrame) -> Flags:
    """Tell the rows that ``word_notices`` tells of."""
    told = rows.control_from.stated() | (rows.frame["stage_from"] != "").to_numpy()
    for field, said in rows.worded.items():
        told |= ~said.isin(("", *_WORDS[field][1]))
    return told


def word_notices(rows: RowFrame, headings: Mapping[str, str], file_sha256: str, name: str = "") -> list[pd.DataFrame]:
    """Tell of stages and activities in words that are not known, and of those taken from other words.

    One notice for each field; ``name`` is that of the file, which may be such words.
    """
    notices: list[pd.DataFrame] = []
    for field, said in rows.worded.items():
        known = ("", *_WORDS[field][1])
        unknown = said.mask(lambda text, known=known: text not in known)  # type: ignore[misc]
        if unknown.any():
            first = rows.frame.iloc[np.flatnonzero(unknown)[:1]]
            notices.append(
                problem_frame(
                    "field-unreadable",
                    file_sha256=file_sha256,
                    line=first["line"],
                    column=headings.get(field, field),
                    raw_text=first[field],
                    detail=f"it is none of the known words; {int(unknown.sum())} rows have such a text",
                )
            )
    notices.extend(_stage_notices(rows.frame, headings, file_sha256, name))
    notices.extend(_control_notices(rows, headings, file_sha256))
    notices.extend(filled_notices(rows.filled, file_sha256))
    return notices


def _control_notices(rows: RowFrame, headings: Mapping[str, str], file_sha256: str) -> list[pd.DataFrame]:
    """Tell once of each field by whose words rows were taken for controls."""
    taken = {name: rows.control_from.isin([name.replace("_", " ")]) for name in ("label", "sampling_point")}
    return _derived_notices("control-derived", rows.frame, taken, "{activity}", headings, file_sha256)


def _stage_notices(rows: pd.DataFrame, headings: Mapping[str, str], file_sha256: str, name: str) -> list[pd.DataFrame]:
    """Tell once of each field that stages were taken from."""
    origins = ("sampling_point", "label", "comment", "file_name")
    taken = {name: (rows["stage_from"] == name.replace("_", " ")).to_numpy() for name in origins}
    return _derived_notices("stage-derived", rows, taken, "{stage} water", headings, file_sha256, name)


def _derived_notices(
    code: str,
    rows: pd.DataFrame,
    taken: Mapping[str, Flags],
    meant: str,
    headings: Mapping[str, str],
    file_sha256: str,
    name: str = "",
) -> list[pd.DataFrame]:
    """Tell once of each field from whose words something was taken: ``taken`` flags its rows, ``meant`` words it.

    The ``name`` of the file is no field of the rows: it stands for one that they lack.
    """
    told = []
    for origin, flags in taken.items():
        at = np.flatnonzero(flags)
        if len(at):
            first, lines = rows.iloc[at[:1]], rows["line"].iloc[at].nunique()
            told.append(
                problem_frame(
                    code,
                    file_sha256=file_sha256,
                    line=first["line"],
                    column=headings.get(origin, origin.replace("_", " ")),
                    raw_text=first.get(origin, name),
                    detail=f"{meant.format_map(rows.iloc[at[0]])}; {lines} {'row' if lines == 1 else 'rows'}",
                )
            )
    return told
