"""Settle the units of one table: by answers given now, by those kept for its shape, by proof; ask for the rest."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.asking.answers import LIMIT, Answered, UnitAnswer, heading_of, refuse_unused, with_answers
from pipeline.asking.evidence import judge_units
from pipeline.asking.file_readings import OpenTable, file_readings
from pipeline.asking.open_units import FORM, UNIT, WORTH, CellKind, cell_kinds, with_units
from pipeline.asking.questions import evidence_text
from pipeline.asking.shapes import KnownShape, changed_shape, headings_of, match_known, shape_of
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.ingest.file_result import FileResult
from pipeline.ingest.matching import match_layout
from pipeline.problems import no_problems, problem_frame
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.arrays import Flags
    from pipeline.asking.evidence import Verdict
    from pipeline.asking.open_units import CellKinds
    from pipeline.ingest.extract import Extract
    from pipeline.ingest.grid import Grid
    from pipeline.ingest.layout_file import Layout
    from pipeline.ingest.matching import Match

Evidence = dict[tuple[str, str, str], str]

# Columns, or units within one, that are judged by the file; of more each is asked about without evidence [CP].
_MOST_JUDGED: Final = 60
_NAMES_A_UNIT: Final = re.compile(r"\d\s*[^\W\d]")
_TOLD_AS: Final = {UNIT: "unit-answered", LIMIT: "limit-answered", WORTH: "drop-worth-answered"}


@dataclass(frozen=True)
class AskedTable:
    """A table whose units are settled as far as they can be.

    Attributes
    ----------
    table : the table.
    answered : what the answers given now did.
    waiting : kinds of cells that still wait.
    evidence : (file, column, why it waits) → what the file itself says, and how to answer.
    notices : what was settled, and how.
    kept : rows to keep for files of this shape: `shape headings name unit layout said_by`.
    shape : name of its headings.
    """

    table: Extract
    answered: Answered
    waiting: tuple[CellKind, ...] = ()
    evidence: Evidence = field(default_factory=dict)
    notices: pd.DataFrame = field(default_factory=no_problems)
    kept: pd.DataFrame = field(default_factory=pd.DataFrame)
    shape: str = ""


@dataclass(frozen=True)
class TableToAsk:
    """A table whose units are to be settled: as text, how it was read, and the SHA-256 of its file."""

    table: Extract
    match: Match
    file_sha256: str


def ask(
    tables: Sequence[TableToAsk], answers: tuple[UnitAnswer, ...], known: tuple[KnownShape, ...], by: str
) -> list[AskedTable]:
    """Settle the units of tables, each for itself, and say what is left to ask.

    Parameters
    ----------
    tables : of measurements.
    answers : given now.
    known : shapes that the store knows.
    by : who gives them, and confirms a layout by using it.

    Raises
    ------
    KettlestoneError : the answers contradict each other or the quantity.
    """
    answered = [_answered(one, answers, known) for one in tables]
    judged = _judged([replace(one, table=earlier.table) for one, (_, _, earlier) in zip(tables, answered, strict=True)])
    return [_asked(one, said, found, known, by) for one, said, found in zip(tables, answered, judged, strict=True)]


def _answered(
    one: TableToAsk, answers: tuple[UnitAnswer, ...], known: tuple[KnownShape, ...]
) -> tuple[KnownShape, Answered, Answered]:
    """Give what is known of the shape of a table, and what the answers of now and then it did."""
    shape = shape_of(headings_of(one.match))
    before = next((kept for kept in known if kept.shape == shape), KnownShape(shape, ()))
    now = with_answers(one.table, answers)
    return before, now, with_answers(now.table, [kept for kept in before.answers if not _said_again(kept, now)])


def _asked(
    one: TableToAsk,
    answered: tuple[KnownShape, Answered, Answered],
    judged: _Judged,
    known: tuple[KnownShape, ...],
    by: str,
) -> AskedTable:
    """Tell what was settled, by whom, and what waits."""
    (before, now, earlier), match, file_sha256 = answered, one.match, one.file_sha256
    notices = [_told(given, file_sha256) for given in (*now.given, *earlier.given)] + judged.proofs
    headings = headings_of(match)
    if judged.waiting and not before.answers:
        notices += _changed(headings, known, file_sha256)
    if before.layout is not None and match.layout.name == before.layout.name:
        detail = f'read by the layout "{match.layout.name}" as confirmed on {before.on} by {before.by} for this shape'
        notices.append(_notice("shape-known", file_sha256, detail))
    kept = _kept(before.shape, headings, now, match, before, by)
    told = pd.concat([no_problems(), *notices], ignore_index=True)
    return AskedTable(judged.table, now, judged.waiting, judged.evidence, told, kept, before.shape)


def _said_again(answer: UnitAnswer, now: Answered) -> bool:
    """Say whether an answer given now is to what an earlier one was to: the later one counts."""
    return any(
        ((answer.analyte and answer.analyte == kind.analyte) or answer.name == given.name)
        and answer.about == given.about
        for kind, given in now.given
    )


@dataclass(frozen=True)
class _Judged:
    """A table with the units that are proved, what still waits, what is known of that, and the proofs."""

    table: Extract
    waiting: tuple[CellKind, ...]
    evidence: Evidence
    proofs: list[pd.DataFrame]


def _judged(tables: Sequence[TableToAsk]) -> list[_Judged]:
    """Try the units of what is open in each table."""
    kinds = [cell_kinds(one.table) for one in tables]
    tried = [number for number, found in enumerate(kinds) if 0 < len(found.open) <= _MOST_JUDGED]
    readings = file_readings(
        [
            OpenTable(
                tables[number].table, kinds[number], row_by_row=tables[number].match.orientation == "samples-in-rows"
            )
            for number in tried
        ]
    )
    judged = [_Judged(one.table, found.open, {}, []) for one, found in zip(tables, kinds, strict=True)]
    for number, one in zip(tried, readings, strict=True):
        judged[number] = _with_proofs(tables[number], kinds[number], judge_units(one))
    return judged


def _with_proofs(one: TableToAsk, found: CellKinds, verdicts: Sequence[Verdict]) -> _Judged:
    """Take the units that are proved, and word what is known of the rest."""
    proved = {verdict.kind: verdict.proved for verdict in verdicts if verdict.proved}
    evidence = {
        # The form of readings that are used is answered where they are on hold, not by an option of the intake.
        (one.file_sha256, tried.kind.column, tried.kind.why): evidence_text(tried, option=tried.kind.waits_for != FORM)
        for tried in verdicts
        if not tried.proved
    }
    return _Judged(
        table=replace(one.table, cells=_with_proved(one.table.cells, found, proved)) if proved else one.table,
        waiting=tuple(kind for kind in found.open if kind not in proved),
        evidence=evidence,
        proofs=[_proof(verdict, one.file_sha256) for verdict in verdicts if verdict.proved],
    )


def _with_proved(cells: pd.DataFrame, found: CellKinds, proved: dict[CellKind, str]) -> pd.DataFrame:
    """Give the cells a proved unit, except those that name another behind their number: "12 K/m" is no 12 °C."""
    now = with_units(cells, found, proved)
    named = TextColumn.from_series(cells["raw_text"]).answers(lambda text: bool(_NAMES_A_UNIT.search(text)))
    if not named.any():
        return now
    before, after = (TextColumn.from_series(frame["raw_unit"]) for frame in (cells, now))
    return now.assign(raw_unit=after.over(before, ~named).distinct().category())


def _told(given: tuple[CellKind, UnitAnswer], file_sha256: str) -> pd.DataFrame:
    kind, answer = given
    who = f" by {answer.by}" if answer.by else ""
    when = f" on {answer.on}{who} for this shape" if answer.on else who
    return _notice(
        _TOLD_AS[answer.about],
        file_sha256,
        f"{answer.unit}, as answered{when}",
        kind.column,
    )


def _proof(verdict: Verdict, file_sha256: str) -> pd.DataFrame:
    return _notice(
        "unit-proved", file_sha256, evidence_text(verdict, option=False).removesuffix("."), verdict.kind.column
    )


def _changed(headings: list[str], known: Iterable[KnownShape], file_sha256: str) -> list[pd.DataFrame]:
    """Tell of a file that was of a known shape until its headings changed."""
    found = changed_shape(headings, tuple(known))
    if found is None:
        return []
    before, new, gone = found
    differ = [f"{word}: {', '.join(names)}" for word, names in (("new", new), ("gone", gone)) if names]
    again = " ".join(f'--unit "{one.name}={one.unit}"' for one in before.answers)
    detail = f"of {before.on} by {before.by} ({'; '.join(differ)})" + (f"; they were {again}" if again else "")
    return [_notice("shape-changed", file_sha256, detail)]


def _notice(code: str, file_sha256: str, detail: str, column: str = "") -> pd.DataFrame:
    return problem_frame(code, file_sha256=file_sha256, line=0, column=column, raw_text="", detail=detail)


def _kept(shape: str, headings: list[str], now: Answered, match: Match, before: KnownShape, by: str) -> pd.DataFrame:
    """List what is to be kept for the shape: new answers, and a layout of one's own that is not kept yet."""
    answers = dict.fromkeys(answer for _, answer in now.given)
    units = [{"name": answer.name, "unit": answer.unit, "layout": ""} for answer in answers]
    stated = match.layout.stated
    if stated and (before.layout is None or before.layout.stated != stated):
        units.append({"name": "", "unit": "", "layout": stated})
    frame = pd.DataFrame(units, columns=["name", "unit", "layout"])
    return frame.assign(shape=shape, headings=json.dumps(headings, ensure_ascii=False), said_by=by)


def only_answered(asked: AskedTable, waiting: pd.DataFrame) -> AskedTable:
    """Keep, of a file that the store has, the cells that were set aside for their unit and are answered now.

    Parameters
    ----------
    asked : its table.
    waiting : `line column` of the cells that were set aside.

    Raises
    ------
    KettlestoneError : an answer is to the form of readings that are stored; a reading never changes unasked.
    """
    if stored := [kind for kind, _ in asked.answered.given if kind.waits_for == FORM]:
        raise KettlestoneError(
            f'the readings of the column "{stored[0].column}" are stored and wait for their form: '
            f"{stored[0].why}. {UNCHANGED}\n  Correct them where they are on hold: kettlestone findings lists them, "
            "kettlestone decide N correct --unit … settles them."
        )
    table = asked.table
    places = pd.MultiIndex.from_arrays([table.cells["line"], table.cells["column"].astype("str")])
    listed = pd.MultiIndex.from_frame(waiting[["line", "column"]])
    mine: Flags = asked.answered.cells & places.isin(listed)
    rest = replace(
        table,
        cells=table.cells[mine].reset_index(drop=True),
        set_aside=no_problems(),
        notices=no_problems(),
        cells_not_read=-np.bincount(table.cells["row"].to_numpy()[mine], minlength=len(table.rows)),
        entries=int(mine.sum()),
        left_out=(),
    )
    return replace(asked, table=rest, evidence={})


@dataclass(frozen=True)
class Answers:
    """What is known of units before any file is read.

    Attributes
    ----------
    given : answers given now.
    shapes : shapes that the store knows.
    waiting : SHA-256 → `line column` of the cells of a stored file that were set aside for their unit.
    by : who gives the answers, and confirms a layout by using it.
    """

    given: tuple[UnitAnswer, ...] = ()
    shapes: tuple[KnownShape, ...] = ()
    waiting: dict[str, pd.DataFrame] = field(default_factory=dict)
    by: str = ""

    def match(self, grid: Grid, layouts: Sequence[Layout]) -> Match | None:
        """Find how a table is read: a layout given now, one confirmed for its headings, or a built-in one."""
        own = [layout for layout in layouts if layout.stated]
        found = match_layout(grid, own) if own else None
        newer = {layout.name for layout in own}  # a layout given now replaces what was kept of that name
        kept = [one for one in self.shapes if one.layout is not None and one.layout.name not in newer]
        return found or match_known(grid, kept) or match_layout(grid, layouts)

    def ask(self, tables: Sequence[TableToAsk]) -> list[AskedTable]:
        """Settle the units of tables; of a stored file only what was set aside for its unit is left of it."""
        measured = [one for one in tables if one.table.kind == "measurements"]
        asked = iter(ask(measured, self.given, self.shapes, self.by))
        return [
            self._of_stored(one, next(asked))
            if one.table.kind == "measurements"
            else AskedTable(one.table, with_answers(one.table, ()))
            for one in tables
        ]

    def _of_stored(self, one: TableToAsk, asked: AskedTable) -> AskedTable:
        waiting = self.waiting.get(one.file_sha256)  # every stored file has an entry where answers are given
        return asked if waiting is None else only_answered(asked, waiting)

    def refuse_unused(self, results: Iterable[FileResult]) -> None:
        """Refuse answers that no column of the files waited for; see ``answers.refuse_unused``."""
        if not self.given:
            return
        tables = [asked for result in results if isinstance(result, AskedFile) for asked in result.asked]
        names = [heading_of(kind.column) for asked in tables for kind in asked.waiting]
        refuse_unused(self.given, [asked.answered for asked in tables], names)


@dataclass(frozen=True)
class AskedFile(FileResult):
    """A file with what was asked and answered of the units of its tables."""

    asked: tuple[AskedTable, ...] = ()
