"""The pages of batches: what came, how much of it was read, what is asked of whole files, and who is to be called."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from flask import redirect, request, url_for

from pipeline.asking.answers import heading_of
from pipeline.desk.pages import here, label, language, page, plain_rows, reading, who
from pipeline.desk.queue import queue_of
from pipeline.errors import KettlestoneError
from pipeline.report.batch.summary import summarise
from pipeline.report.wording import CAUTION, batch_headline, controls, lead
from pipeline.store.archive import place
from pipeline.store.batches import batch_ledger
from pipeline.store.findings import known_batch, known_file
from pipeline.stored_batch import stored_batch
from schemas.columns import OPEN

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from pipeline.store.database import Store

_SHOWN: Final = 100
_QUESTIONS: Final = 200


def show_batches() -> ResponseReturnValue:
    """List the batches; before the first file there is only the way to bring one."""
    desk = here()
    if not desk.settings.store.exists():
        return page("batches.html", batches=[], running=desk.uploads.running(), empty=True)
    with reading() as store:
        found = batch_ledger(store, _SHOWN)
    return page("batches.html", batches=plain_rows(found), running=desk.uploads.running(), empty=False)


def show_batch(batch_id: str) -> ResponseReturnValue:
    """Show a batch as its summary does, with the answers in force."""
    with reading() as store:
        known = known_batch(store, batch_id)
        summary = summarise(stored_batch(store, known, here().settings), language=language())
        queue = queue_of(store, {"batch": known})
        waiting = [_open_question(store, one) for one in summary["coverage"]["waiting"][:_QUESTIONS]]
    return page(
        "batch.html",
        s=summary,
        batch_id=known,
        headline=batch_headline(summary),
        lead=lead(summary),
        controls=controls(summary),
        caution=label(CAUTION),
        waiting=waiting,
        sources=[_worded(one) for one in summary["source_findings"]],
        work=summary["work"],
        held=summary["samples"]["hold"] + summary["samples"]["reject"],
        open_findings=len(queue.numbers),
    )


def _open_question(store: Store, one: dict[str, Any]) -> dict[str, Any]:
    """Give a column that waits the hash of its file, so that it can be answered."""
    try:
        sha256 = known_file(store, one["file"])
    except KettlestoneError:  # several files of that name: the command can tell them apart
        sha256 = ""
    return {**one, "sha256": sha256}


def _worded(one: dict[str, Any]) -> dict[str, Any]:
    return {**one, "open": one["severity"] in OPEN}


def answer_unit(batch_id: str) -> ResponseReturnValue:
    """Give a column the unit that was asked for: its file is read again, from the archive."""
    form = request.form
    column, unit, sha256 = (form.get(name, "").strip() for name in ("column", "unit", "sha256"))
    if not column or not unit:
        raise KettlestoneError(label("Say which unit is meant. Nothing was changed."))
    with reading() as store:
        known = known_file(store, sha256)
        [(name,)] = store.connection.execute(
            "SELECT min(name) FROM source_file WHERE file_sha256 = ?", [known]
        ).fetchall()
    desk = here()
    kept = place(desk.settings.store, known)
    key = desk.uploads.take([(kept, str(name))], desk.settings, who(), units=[f"{heading_of(column)}={unit}"])
    return redirect(url_for("upload_progress", key=key, back=batch_id))
