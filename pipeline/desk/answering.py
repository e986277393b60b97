"""Answers given on the desk: the same as those of `decide`, one finding at a time or many."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
from flask import abort, flash, redirect, request

from pipeline.deciding import ACTIONS, Answer, decide_all
from pipeline.deciding.answer import DATE_ORDERS
from pipeline.desk.finding_pages import finding_page
from pipeline.desk.pages import address, here, label, language, now, reading, who
from pipeline.desk.queue import narrowed_by, queue_of
from pipeline.errors import KettlestoneError
from pipeline.one_file import headings_in
from pipeline.report.terminal.decisions import outcomes_text
from pipeline.store.faults import StoreLockedError
from pipeline.store.findings import finding

if TYPE_CHECKING:
    from collections.abc import Mapping

    from flask.typing import ResponseReturnValue

    from pipeline.deciding import DecisionOutcome
    from pipeline.desk.queue import Queue

# What is kept as the reason where none is typed: the person saw the evidence and chose.
USUAL_REASONS: Final = {
    "accept": "Seen with its evidence on the desk: the figures stand.",
    "take": "Seen with its evidence on the desk: the likeliest cause.",
    "repeat": "Seen with its evidence on the desk: to be read again.",
    "reject": "Seen with its evidence on the desk: not to be used.",
    "reopen": "Taken back on the desk.",
    **dict.fromkeys(DATE_ORDERS, "Seen on the desk: so the dates of the file are written."),
}
_TEXTS: Final = ("unit", "basis", "analyte", "date", "date_order", "stage", "site", "point", "reach", "other", "report")
_NUMBERS: Final = ("value", "factor")


def answer_one(number: int) -> ResponseReturnValue:
    """Keep the answer to a finding and go on to the next."""
    narrowed = narrowed_by(request.form)
    with reading() as store:
        found = finding(store, number)
        earlier = queue_of(store, narrowed)
        mates = _mates(found, queue_of(store, {"sample": str(found["sample_id"])})) if _whole_sample(found) else ()
    action = request.form.get("action", "")
    if action != "reopen" and _number_in_force(found) != request.form.get("seen", ""):
        return _overtaken(found, number, narrowed)
    try:
        answers = [_answer(one, action) for one in (number, *mates)]
        outcomes = decide_all(here().settings, answers, now(), headings_in)
    except StoreLockedError:
        raise
    except KettlestoneError as error:
        lines = tuple(str(error).splitlines())
        return finding_page(number, narrowed, trouble=lines, why=request.form.get("why", "")), 400
    _tell(outcomes, None if action == "reopen" else number)
    return redirect(_next_page(number, earlier, action))


def answer_many() -> ResponseReturnValue:
    """Keep one answer to all findings that are ticked, or to all that wait in the list."""
    narrowed = narrowed_by(request.form)
    numbers = [int(text) for text in request.form.getlist("number") if text.isdigit()]
    if request.form.get("whole"):
        with reading() as store:
            numbers = list(queue_of(store, {**narrowed, **narrowed_by({"check": request.form["whole"]})}).numbers)
        if str(len(numbers)) != request.form.get("count", ""):
            abort(409, "Other findings wait now than were shown. Look at the list again.")
    if not numbers:
        raise KettlestoneError(label("Tick the findings that are meant. Nothing was changed."))
    action = request.form.get("action", "")
    outcomes = decide_all(here().settings, [_answer(one, action) for one in numbers], now(), headings_in)
    _tell(outcomes, None)
    return redirect(address("findings", **narrowed))


def _whole_sample(found: pd.Series) -> bool:
    return bool(request.form.get("mates")) and not pd.isna(found["sample_id"])


def _mates(found: pd.Series, queue: Queue) -> tuple[int, ...]:
    """Give the other findings of the sample that wait."""
    return tuple(other for other in queue.numbers if other != int(found["finding_id"]))


def _number_in_force(found: pd.Series) -> str:
    """Give the number of the decision in force as the page carries it."""
    return "" if pd.isna(found["decision_id"]) else str(int(found["decision_id"]))


def _overtaken(found: pd.Series, number: int, narrowed: Mapping[str, str]) -> ResponseReturnValue:
    """Say that somebody else has answered since the page was shown; the same answer from the same person is enough."""
    action = request.form.get("action", "")
    if found["decision"] == action and found["decided_by"] == who() and action in USUAL_REASONS:
        return redirect(address("finding", number=number, **narrowed))
    lines = (
        label("This finding was answered since the page was shown; your answer was not kept."),
        f"{found['decision']}, {found['decided_by']}: {found['why']}" if isinstance(found["decision"], str) else "",
        label("Look at it again, then answer if you still want to."),
    )
    return finding_page(number, dict(narrowed), trouble=tuple(line for line in lines if line)), 409


def _answer(number: int, action: str) -> Answer:
    """Put the form together as an answer; what is out of place is refused with the words of `decide`."""
    form = request.form
    order = action if action in DATE_ORDERS else ""  # a key of its own
    if not order and action not in ACTIONS:
        raise KettlestoneError(label("Say one of {actions}.", actions=", ".join(ACTIONS)))
    why = form.get("why", "").strip() or label(USUAL_REASONS.get(action, ""))
    if not why:
        raise KettlestoneError(label("Say why. Nothing was changed."))
    if order:
        return Answer(number, "correct", who(), why, date_order=order)
    given: dict[str, Any] = {}
    if action == "correct":
        given = {name: form.get(name, "").strip() for name in _TEXTS if name not in ("other", "report")}
        given |= {name: _amount(name) for name in _NUMBERS}
    elif action == "exchange":
        given = {"other": form.get("other", "").strip(), "analyte": form.get("analyte", "").strip()}
    elif action == "use-report":
        given = {"report": form.get("report", "").strip()}
    elif action == "take":
        given = {"cause": int(form["cause"]) if form.get("cause", "").isdigit() else None}
    return Answer(number, action, who(), why, **given)


def _amount(name: str) -> float | None:
    text = request.form.get(name, "").strip().replace(",", ".")
    if not text:
        return None
    try:
        amount = float(text)
    except ValueError:
        amount = math.nan
    if not math.isfinite(amount):
        raise KettlestoneError(label('"{text}" is no number. Nothing was changed.', text=text))
    return amount


def _tell(outcomes: list[DecisionOutcome], number: int | None) -> None:
    """Say on the next page what came of the answer."""
    flash(outcomes_text(outcomes, language()), "" if number is None else str(number))


def _next_page(number: int, earlier: Queue, action: str) -> str:
    """Choose the page that comes by itself: the next that waits, or the list where nothing does."""
    if action == "reopen":
        return address("finding", number=number, **earlier.narrowed)
    with reading() as store:
        following = queue_of(store, earlier.narrowed).next_of(earlier, number)
    if following is None:
        return address("findings", **earlier.narrowed)
    return address("finding", number=following, **earlier.narrowed)
