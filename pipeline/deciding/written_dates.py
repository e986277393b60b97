"""`correct --date-order`: which of day and month comes first in the dates of a file, answered once for all of it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.checks.record_dates import EITHER_ORDER
from pipeline.deciding.answer import DAY_FIRST, MONTH_FIRST
from pipeline.deciding.consequences import Consequences
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.normalise.date_order import exchanged_days
from pipeline.normalise.dates import either_order, proved_order
from pipeline.normalise.rows import collected
from pipeline.store.decide import CorrectedFact
from pipeline.store.facts import TIMES
from pipeline.store.reach import findings_of_dates, samples_first_in
from pipeline.store.samples import sample_rows

if TYPE_CHECKING:
    from pipeline.deciding.consequences import Answering

_WRITTEN: Final = ("collected_on", "collected_at_time", "time_zone")
_LATER: Final = tuple(name for name in TIMES if name != "collected_at")


def order_read(found: pd.Series) -> str:
    """Say in which order the date of a finding was read; "" where its date has no strokes or could be read in one way.

    Parameters
    ----------
    found : a finding that says how a date was `written` and how it was `read_as`.
    """
    told = json.loads(found["evidence"] or "{}")
    parts = either_order(str(told.get("written", "")))
    if parts is None:
        return ""
    return MONTH_FIRST if parts[0] == pd.Timestamp(told["read_as"]).month else DAY_FIRST


def other_order(found: pd.Series) -> str:
    """Give the order in which the date of a finding was not read; "" where there is only one."""
    return {DAY_FIRST: MONTH_FIRST, MONTH_FIRST: DAY_FIRST}.get(order_read(found), "")


def dates_in_order(case: Answering) -> Consequences:
    """Read the dates of a file whose day and month could be either in the order that was answered.

    Raises
    ------
    KettlestoneError : the file has no such date, its own dates prove the other order, or they are read so already.
    """
    order = case.answer.date_order
    done = ordered(case, str(case.found["file_sha256"]), order)
    if not done.facts:
        raise KettlestoneError(
            f"the dates of the file are read {_words(order)} already.\n  {UNCHANGED}\n"
            "  Accept the finding about its dates: then later files of the sender are read so, too."
        )
    return done


def ordered(case: Answering, file: str, order: str) -> Consequences:
    """Say what an order of day and month changes in the dates of a file.

    Parameters
    ----------
    case : a finding of the file.
    file : its SHA-256.
    order : of ``answer.DATE_ORDERS``.

    Raises
    ------
    KettlestoneError : the file has no date that could be either, or its own dates prove the other order.
    """
    rows = sample_rows(case.store, samples_first_in(case.store, file))
    told = [json.loads(text or "{}") for text in rows["other"]]
    written = pd.DataFrame({name: [str(one.get(name, "")) for one in told] for name in _WRITTEN}, index=rows.index)
    _refuse_contradiction(written["collected_on"], order)
    either = written["collected_on"].map(either_order).notna()
    if not either.any():
        raise KettlestoneError(
            f"no date of the file can be read with the day or with the month first.\n  {UNCHANGED}\n"
            "  Correct the date of one sample with --date 2025-03-14."
        )
    rows = rows[either]
    moments = collected(written[either], _time_zone(case, file), month_comes_first=order == MONTH_FIRST)
    right = {"collected_at": moments.dt.tz_localize(None)}
    right |= _later_dates(rows, right["collected_at"]) if (right["collected_at"] != rows["collected_at"]).any() else {}
    facts = tuple(
        CorrectedFact(str(sample), name, before.isoformat(), after.isoformat())
        for name, column in right.items()
        for sample, before, after in zip(rows["sample_id"], rows[name], column, strict=True)
        if not pd.isna(before) and before != after
    )
    dates = "1 date" if len(rows) == 1 else f"{len(rows):,} dates"
    return Consequences(
        facts=facts,
        also=tuple(findings_of_dates(case.store, file, EITHER_ORDER)),
        samples=frozenset(fact.sample_id for fact in facts),
        detail=f"{dates} of the file read {_words(order)}",
    )


def _time_zone(case: Answering, file: str) -> str:
    """Give the zone of the clocks of a file as it was taken in."""
    found = case.store.connection.execute(
        "SELECT b.settings::JSON ->> '$.time_zone' FROM source_file JOIN batch AS b USING (batch_id) "
        "WHERE file_sha256 = ? AND b.settings::JSON ->> '$.time_zone' <> '' ORDER BY b.batch_id LIMIT 1",
        [file],
    ).fetchall()
    return str(found[0][0]) if found else case.settings.time_zone


def _words(order: str) -> str:
    return order.replace("-", " ")


def _later_dates(rows: pd.DataFrame, sampled: pd.Series) -> dict[str, pd.Series]:
    """Exchange day and month of the other dates of the rows, too, where all of them can be, and none is too early then.

    How these were written is not kept: a date before that of sampling shows that its order was another one.
    """
    found = {}
    for name in _LATER:
        other = exchanged_days(rows[name])
        stated = rows[name].notna()
        if stated.any() and other[stated].notna().all() and not (other < sampled.dt.floor("D"))[stated].any():
            found[name] = other
    return found


def _refuse_contradiction(written: pd.Series, order: str) -> None:
    """Refuse an order that another date of the file excludes."""
    proved = proved_order(written)
    if not proved or proved == order[0]:
        return
    shown = next(text for text in written if proved_order([text]) == proved)
    raise KettlestoneError(
        f'the file has the date "{shown}": its dates are not {_words(order)}.\n  {UNCHANGED}\n'
        "  Correct the date of one sample with --date 2025-03-14."
    )
