"""Answers of a person to "which unit?", "which limit?", "what is a drop worth?": read, compared, given to columns."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.asking.drop_worths import DropWorth, stated_worth, with_worths, without_worth
from pipeline.asking.limits import StatedLimit, stated_limit, with_limit, without_limit
from pipeline.asking.open_units import FORM, UNIT, WORTH, CellKind, cell_kinds, with_units
from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.ingest.headings import read_heading
from pipeline.ingest.spellings import key
from pipeline.normalise.units import resolve
from pipeline.notation.grammar import read_unit
from schemas.columns import ANALYTES, OTHER_ANALYTES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.arrays import Flags
    from pipeline.ingest.extract import Extract

LIMIT: Final = "limit"
_PLACE: Final = re.compile(r"^.*![A-Z]+: ")  # sheet and letter before a heading of a workbook
_HOW: Final = (
    'Write --unit "calcium=mg/L": a quantity or a heading of the file, and its unit; of counted drops what one is '
    'worth, --unit "hardness=1 °dH per drop at 10 mL", or the name of a kit (kettlestone kit list).'
)


@dataclass(frozen=True)
class UnitAnswer:
    """The unit of a quantity or of a column, its limit of detection ("<0.5 mg/L"), or what a drop is worth.

    Attributes
    ----------
    name : quantity or heading as typed.
    unit : as typed; the limit, or the worth of a drop.
    analyte : the quantity that ``name`` means, "" where it can only be a heading.
    by, on : who answered; the day, of an answer that was kept, "" of one that is given now.
    """

    name: str
    unit: str
    analyte: str = ""
    by: str = ""
    on: str = ""

    @property
    def limit(self) -> StatedLimit | None:
        """Give the limit, of an answer that is one."""
        return stated_limit(self.unit)

    @property
    def worth(self) -> DropWorth | None:
        """Give what a drop is worth, of an answer that says so."""
        return stated_worth(self.unit)

    @property
    def about(self) -> str:
        """Say what is answered: UNIT, LIMIT or WORTH; of one column each may be open."""
        return LIMIT if self.limit else WORTH if self.worth else UNIT


@dataclass(frozen=True)
class Answered:
    """A table with the units that were answered.

    Attributes
    ----------
    table : the table.
    cells : (n,) its cells that were given a unit.
    given : the kinds of these cells, and the answer of each.
    closed : kinds that an answer speaks of although their unit stands in the file.
    """

    table: Extract
    cells: Flags
    given: tuple[tuple[CellKind, UnitAnswer], ...] = ()
    closed: tuple[tuple[CellKind, UnitAnswer], ...] = ()


def read_answers(texts: Iterable[str], by: str = "") -> tuple[UnitAnswer, ...]:
    """Read answers such as "calcium=mg/L" or "Gesamthärte=°dH".

    Parameters
    ----------
    texts : as typed.
    by : who answers.

    Raises
    ------
    KettlestoneError : one is no answer, its unit is none or does not measure the quantity, or two contradict.
    """
    answers = tuple(dict.fromkeys(_read(text, by) for text in texts))
    said: dict[tuple[str, str], UnitAnswer] = {}
    for answer in answers:
        other = said.setdefault((key(answer.name), answer.about), answer)
        if not _agree(answer, other, answer.analyte or "calcium", ""):
            raise _contradiction(answer, other)
    return answers


def _agree(answer: UnitAnswer, other: UnitAnswer, analyte: str, basis: str) -> bool:
    """Say whether two answers to one question say the same; a limit and a unit answer two."""
    if answer.about != other.about:
        return True
    if answer.about != UNIT:
        return (answer.limit, answer.worth) == (other.limit, other.worth)
    return same_unit(analyte, answer.unit, other.unit, basis)


def _contradiction(answer: UnitAnswer, other: UnitAnswer) -> KettlestoneError:
    return KettlestoneError(
        f'--unit "{other.name}={other.unit}" and --unit "{answer.name}={answer.unit}" contradict each other. '
        f"{UNCHANGED}\n  Keep the one that is right."
    )


def same_unit(analyte: str, unit: str, other: str, basis: str) -> bool:
    """Say whether two units are worth the same for a quantity."""
    one, two = (resolve(analyte, text, basis) for text in (unit, other))
    return str((one.factor, one.offset, one.temperature_c)) == str((two.factor, two.offset, two.temperature_c))


def _read(text: str, by: str) -> UnitAnswer:
    name, sign, unit = (part.strip() for part in text.rpartition("="))
    if not sign or not name or not unit:
        raise KettlestoneError(f'--unit "{text}" does not say which unit what has. {UNCHANGED}\n  {_HOW}')
    analyte, limit, worth = quantity_named(name), stated_limit(unit), stated_worth(unit)
    bare = limit.unit if limit else worth.unit if worth else unit
    meaning = resolve("total_hardness" if worth else analyte or "calcium", bare, "")
    notation = read_unit(bare)
    if (bare or not (limit or worth)) and (
        notation is None or not notation.codes or ((analyte or worth) and meaning.problem)
    ):
        why = meaning.detail or f'"{unit}" is no unit'
        raise KettlestoneError(f'--unit "{text}": {why}. {UNCHANGED}\n  {_HOW}')
    return UnitAnswer(name, unit, analyte, by)


def quantity_named(name: str) -> str:
    """Find the quantity a name stands for, in any language of the table of spellings; "" if none."""
    code = name.strip().casefold().replace(" ", "_")
    if code in ANALYTES or code in OTHER_ANALYTES:
        return code
    meaning = read_heading(name).chosen()
    return meaning.code if meaning is not None and meaning.kind == "analyte" else ""


def heading_of(column: str) -> str:
    """Give the heading alone of a column's name, which in a workbook begins with its place."""
    return _PLACE.sub("", column)


def with_answers(table: Extract, answers: Sequence[UnitAnswer]) -> Answered:
    """Give the columns that wait for a unit the units that were answered.

    Parameters
    ----------
    table : a table of measurements as text.
    answers : of ``read_answers``.

    Raises
    ------
    KettlestoneError : two answers give one column different units, or a unit does not measure its quantity.
    """
    nothing = np.zeros(len(table.cells), dtype="bool")
    if not answers or table.cells.empty:
        return Answered(table, nothing)
    of = {about: [answer for answer in answers if answer.about == about] for about in (UNIT, LIMIT, WORTH)}
    answered = _with_units(table, of[UNIT])
    answered = _with_limits(answered, of[LIMIT]) if of[LIMIT] else answered
    return _with_worths(answered, of[WORTH]) if of[WORTH] else answered


def _with_limits(answered: Answered, answers: Sequence[UnitAnswer]) -> Answered:
    """Give cells that say "not detected" the limits that were answered."""
    found = _open_to(answers, answered.table, without_limit(answered.table))
    cells = answered.table.cells
    for kind, where, answer in found.given:
        _refuse_impossible(kind, answer)
        cells = with_limit(cells, where, answer.limit or StatedLimit("", ""))
    return _with_more(answered, replace(answered.table, cells=cells), found)


def _with_worths(answered: Answered, answers: Sequence[UnitAnswer]) -> Answered:
    """Give counted drops the worth that was answered."""
    found = _open_to(answers, answered.table, without_worth(answered.table))
    given = [(where, answer.worth) for _, where, answer in found.given if answer.worth]
    table = with_worths(answered.table, given) if given else answered.table
    left = without_worth(table)
    for kind, where, answer in found.given:
        if (where & left).any():
            raise KettlestoneError(
                f'--unit "{answer.name}={answer.unit}" for the column "{kind.column}" leaves open what '
                f"{'a drop is worth' if answer.worth and not answer.worth.unit else 'sample volume that holds for'}. "
                f'{UNCHANGED}\n  Say both: --unit "{answer.name}=1 °dH per drop at 10 mL".'
            )
    return _with_more(answered, table, found)


@dataclass(frozen=True)
class _Spoken:
    """Kinds of cells that answers speak of: with open cells and the one answer to these, and without any."""

    given: list[tuple[CellKind, Flags, UnitAnswer]]
    closed: list[tuple[CellKind, UnitAnswer]]


def _open_to(answers: Sequence[UnitAnswer], table: Extract, open_cells: Flags) -> _Spoken:
    """Find the open cells that answers of one sort speak of."""
    found, spoken_of = cell_kinds(table), _Spoken([], [])
    for number, kind in enumerate(found.kinds):
        mine = open_cells & (found.number == number)
        spoken = _speaking(answers, kind)
        if not mine.any() or not spoken:
            spoken_of.closed.extend((kind, answer) for answer in spoken)
            continue
        for answer in spoken:
            if not _agree(answer, spoken[0], kind.analyte, kind.basis):
                raise _contradiction(answer, spoken[0])
        spoken_of.given.append((kind, mine, spoken[0]))
    return spoken_of


def _with_more(answered: Answered, table: Extract, found: _Spoken) -> Answered:
    at = answered.cells.copy()
    for _, where, _ in found.given:
        at |= where
    given = (*answered.given, *((kind, answer) for kind, _, answer in found.given))
    return Answered(table, at, given, (*answered.closed, *found.closed))


def _with_units(table: Extract, answers: Sequence[UnitAnswer]) -> Answered:
    """Give the columns that wait for a unit the units that were answered."""
    nothing, found = np.zeros(len(table.cells), dtype="bool"), cell_kinds(table)
    given: dict[CellKind, UnitAnswer] = {}
    closed: list[tuple[CellKind, UnitAnswer]] = []
    for kind in found.kinds:
        spoken = _speaking(answers, kind)
        settling = [answer for answer in spoken if _settles(answer, kind)]
        closed += [(kind, answer) for answer in spoken if answer not in settling]
        for answer in settling:
            _refuse_impossible(kind, answer)
            if not same_unit(kind.analyte, answer.unit, settling[0].unit, kind.basis):
                raise _contradiction(answer, settling[0])
        if settling:
            given[kind] = settling[0]
    if not given:
        return Answered(table, nothing, closed=tuple(closed))
    cells = with_units(table.cells, found, {kind: answer.unit for kind, answer in given.items()})
    at = np.array([kind in given for kind in found.kinds], dtype="bool")[found.number]
    return Answered(replace(table, cells=cells), at, tuple(given.items()), tuple(closed))


def _speaking(answers: Sequence[UnitAnswer], kind: CellKind) -> list[UnitAnswer]:
    """Choose the answers to a column: those that name its heading, else those that name its quantity."""
    names = (key(heading_of(kind.column)), key(kind.column))
    by_heading = [answer for answer in answers if key(answer.name) in names]
    return by_heading or [answer for answer in answers if answer.analyte and answer.analyte == kind.analyte]


def _settles(answer: UnitAnswer, kind: CellKind) -> bool:
    """Say whether an answer is to what is open: the unit, or the form of the unit that is stated."""
    if kind.waits_for == UNIT:
        return True
    if kind.waits_for != FORM:
        return False
    stated, said = read_unit(kind.unit), read_unit(answer.unit)
    return stated is not None and said is not None and stated.codes == said.codes and bool(said.form)


def _refuse_impossible(kind: CellKind, answer: UnitAnswer) -> None:
    meaning = resolve(kind.analyte, (answer.limit.unit or kind.unit) if answer.limit else answer.unit, kind.basis)
    if meaning.problem:
        raise KettlestoneError(
            f'--unit "{answer.name}={answer.unit}" for the column "{kind.column}": {meaning.detail}. '
            f"{UNCHANGED}\n  Give a unit of {kind.analyte.replace('_', ' ')}."
        )


def refuse_unused(answers: Sequence[UnitAnswer], tables: Sequence[Answered], names: Iterable[str]) -> None:
    """Refuse answers that no column waited for.

    Parameters
    ----------
    answers : all of them.
    tables : every table of the files, answered.
    names : headings and quantities that wait, to name what may have been meant.

    Raises
    ------
    KettlestoneError : an answer is to a column that has its unit, or to none.
    """
    given = [pair for table in tables for pair in table.given]
    used = {answer for _, answer in given}
    idle = [answer for answer in answers if answer not in used]
    for answer in idle:
        for kind, other in given:
            if answer.analyte == kind.analyte and not _agree(answer, other, kind.analyte, kind.basis):
                raise _contradiction(answer, other)
    closed = [pair for table in tables for pair in table.closed]
    said = {(kind.analyte, answer.about) for kind, answer in given}
    if faults := [_unused(answer, closed, names) for answer in idle if (answer.analyte, answer.about) not in said]:
        raise KettlestoneError("\n  ".join([*faults, UNCHANGED]))


def _unused(answer: UnitAnswer, closed: Sequence[tuple[CellKind, UnitAnswer]], names: Iterable[str]) -> str:
    said = f'--unit "{answer.name}={answer.unit}"'
    for kind, spoken in closed:
        if spoken == answer and answer.about == LIMIT:
            return f'{said}: no cell under "{kind.column}" says "not detected" without a limit; leave the answer out.'
        if spoken == answer and answer.about == WORTH:
            return f'{said}: under "{kind.column}" no counted drops wait for their worth; leave the answer out.'
        if spoken == answer and kind.waits_for == WORTH:
            return f'{said}: under "{kind.column}" drops are counted. Say what one is worth: "1 °dH per drop at 10 mL".'
        if spoken == answer:
            has = f'"{kind.unit}"' if kind.unit else "and needs none"
            return f'{said}: the column "{kind.column}" has its unit, {has}; leave the answer out.'
    waiting = list(dict.fromkeys(names))
    meant = f" Waiting: {', '.join(waiting)}." if waiting else " No column waits for a unit."
    return f"{said}: no column that waits is called so{did_you_mean(answer.name, waiting)}{meant}"
