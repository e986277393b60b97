"""The desk as a Flask app: its pages by their addresses, the door in front, and what goes wrong in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from flask import Flask, abort, g, redirect, request, session, url_for
from jinja2 import StrictUndefined
from werkzeug.exceptions import HTTPException

from pipeline.desk import answering, batch_pages, bench_pages, finding_pages, sample_pages, site_pages, upload_pages
from pipeline.desk.door import door_for, guard
from pipeline.desk.pages import Desk, here, label, page, put_up
from pipeline.desk.uploads import Uploads
from pipeline.errors import KettlestoneError
from pipeline.store.faults import StoreLockedError

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.typing import ResponseReturnValue

    from pipeline.settings import Settings

_TURN_S: Final = 30.0  # for the request in front to be done
_RETRY_S: Final = 5
_STORELESS: Final = frozenset({"static", "come_in", "upload_progress", "say_who"})
_PAGES: Final[tuple[tuple[str, str, Callable[..., ResponseReturnValue], str], ...]] = (
    ("/", "batches", batch_pages.show_batches, "GET"),
    ("/batch/<batch_id>", "batch", batch_pages.show_batch, "GET"),
    ("/batch/<batch_id>/unit", "answer_unit", batch_pages.answer_unit, "POST"),
    ("/findings", "findings", finding_pages.show_findings, "GET"),
    ("/findings/answer", "answer_many", answering.answer_many, "POST"),
    ("/finding/<int:number>", "finding", finding_pages.show_finding, "GET"),
    ("/finding/<int:number>/answer", "answer_one", answering.answer_one, "POST"),
    ("/sample/<path:sample_id>", "sample", sample_pages.show_sample, "GET"),
    ("/history", "history", sample_pages.show_history, "GET"),
    ("/sites", "sites", site_pages.show_sites, "GET"),
    ("/site", "site", site_pages.show_site, "GET"),
    ("/enter", "enter", site_pages.show_entry, "GET"),
    ("/enter", "enter_visit", site_pages.enter_visit, "POST"),
    ("/control", "control", bench_pages.show_control, "GET"),
    ("/questions", "questions", bench_pages.show_questions, "GET"),
    ("/upload", "upload", upload_pages.show_upload, "GET"),
    ("/upload", "upload_files", upload_pages.upload_files, "POST"),
    ("/upload/<key>", "upload_progress", upload_pages.show_progress, "GET"),
)


def create_desk(settings: Settings, by: str) -> Flask:
    """Build the desk.

    Parameters
    ----------
    settings : where the store is, how long to wait for it, the language, the limits of uploads, the team's proxy.
    by : who decides where the page does not say it.

    Returns
    -------
    The app. ``app.extensions["kettlestone_desk"].door.token`` opens it once.
    """
    app = Flask("pipeline.desk")
    app.jinja_env.undefined = StrictUndefined
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    door = door_for(settings)
    guard(app, door, settings)
    put_up(app, Desk(settings, by, door, Uploads()))
    for address, name, shown, method in _PAGES:
        app.add_url_rule(address, name, shown, methods=[method])
    app.add_url_rule("/come-in", "come_in", _come_in)
    app.add_url_rule("/who", "say_who", _say_who, methods=["POST"])
    _take_turns(app)
    _say_what_went_wrong(app)
    return app


def _come_in() -> ResponseReturnValue:
    """Let in whoever has the link; a page and no redirect, so that the cookie counts as the desk's own at once."""
    if not here().door.take_token(request.args.get("token", "")):
        abort(403, "The link was used already, or is not that of this desk. Stop the command and start it again.")
    session.clear()
    session["came_in"] = True
    return page("come_in.html")


def _say_who() -> ResponseReturnValue:
    """Take down who decides at this browser; behind a proxy it says so itself."""
    name = " ".join(request.form.get("by", "").split())[:80]
    if not here().door.user_header and name:
        session["by"] = name
    return redirect(url_for("batches"))


def _take_turns(app: Flask) -> None:
    """Let one request at a time use the store."""

    @app.before_request
    def wait_for_turn() -> ResponseReturnValue | None:
        if request.endpoint in _STORELESS or request.endpoint is None:
            return None
        if not here().turn.acquire(timeout=_TURN_S):
            return _busy("The desk is busy with another page.")
        g.has_turn = True
        return None

    @app.teardown_request
    def give_turn(_error: BaseException | None) -> None:
        if g.pop("has_turn", False):
            here().turn.release()


def _busy(text: str) -> ResponseReturnValue:
    """Say that the store is in use, and offer the same request again with all that was typed."""
    again = [(name, value) for name, value in request.form.items(multi=True) if name != "csrf_token"]
    shown = page("busy.html", text=text, again=again, write=request.method == "POST", retry=_RETRY_S)
    return shown, 503, {"Retry-After": str(_RETRY_S)}


def _say_what_went_wrong(app: Flask) -> None:
    @app.errorhandler(StoreLockedError)
    def store_in_use(error: StoreLockedError) -> ResponseReturnValue:
        return _busy(str(error))

    @app.errorhandler(KettlestoneError)
    def cannot(error: KettlestoneError) -> ResponseReturnValue:
        return page("trouble.html", title=label("This cannot be done"), lines=str(error).splitlines()), 400

    @app.errorhandler(HTTPException)
    def refused(error: HTTPException) -> ResponseReturnValue:
        lines = [label(error.description or error.name)]
        return page("trouble.html", title=label("Refused"), lines=lines), error.code or 500

    @app.errorhandler(Exception)
    def fault_of_program(error: Exception) -> ResponseReturnValue:
        app.logger.error("a page failed", exc_info=error)
        lines = [
            label("A fault of the program; what was stored before is safe."),
            label("The terminal shows what to send to whoever mends it."),
        ]
        return page("trouble.html", title=label("This page failed"), lines=lines), 500


def token_of(app: Flask) -> str:
    """Give the word that opens a desk once; "" where a proxy lets people in."""
    with app.app_context():
        return here().door.token
