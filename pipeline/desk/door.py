"""Who comes in: one machine, one address, one link; every write proves that it comes from a page of the desk."""

from __future__ import annotations

import hmac
import secrets
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from flask import Flask, abort, request, session
from flask_wtf.csrf import CSRFProtect

if TYPE_CHECKING:
    from flask import Response

    from pipeline.settings import Settings

LOOPBACK: Final = "127.0.0.1"
_OWN_NAMES: Final = (LOOPBACK, "localhost")
_OPEN: Final = frozenset({"static", "come_in"})  # what may be asked for before anybody has come in
_WRITES: Final = frozenset({"POST", "PUT", "PATCH", "DELETE"})
_LONGEST_NAME: Final = 80
_MEGABYTE: Final = 1_000_000
_FORM_BYTES: Final = 2 * _MEGABYTE  # an answer to every finding of a page is far smaller
POLICY: Final = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Not "no-referrer": with that, browsers say "null" for the origin of a form.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


@dataclass
class Door:
    """What is asked of everybody who comes.

    Attributes
    ----------
    origins : addresses under which the desk is known, `http://127.0.0.1:8470`; a request names one of their hosts,
        a write comes from a page of one of them.
    user_header : header in which a reverse proxy says who asks; "" where each machine has its own desk.
    token : opens the desk once; "" when it was used, and where a proxy lets people in.
    """

    origins: frozenset[str]
    user_header: str = ""
    token: str = field(default="", repr=False)

    @property
    def hosts(self) -> frozenset[str]:
        """Give the hosts, with their ports where those are not the usual ones."""
        return frozenset(urlsplit(origin).netloc for origin in self.origins)

    def take_token(self, offered: str) -> bool:
        """Tell whether a token opens the desk; it does so once."""
        fits = bool(self.token) and hmac.compare_digest(offered.encode(), self.token.encode())
        if fits:
            self.token = ""
        return fits


def door_for(settings: Settings) -> Door:
    """Build the door of a desk: with a link for one person, or for a team behind the proxy of the settings."""
    own = frozenset(f"http://{name}:{settings.desk_port}" for name in _OWN_NAMES)
    if settings.desk_address and settings.desk_user_header:
        return Door(own | {settings.desk_address}, settings.desk_user_header)
    return Door(own, token=secrets.token_urlsafe(32))


def guard(app: Flask, door: Door, settings: Settings) -> None:
    """Put the door in front of every page of an app."""
    app.config.update(
        SECRET_KEY=secrets.token_bytes(32),
        SESSION_COOKIE_NAME="kettlestone_desk",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_COOKIE_SECURE=bool(door.user_header) and (settings.desk_address or "").startswith("https:"),
        WTF_CSRF_TIME_LIMIT=None,  # the token ends with the session
        WTF_CSRF_SSL_STRICT=False,  # the origin is checked here
        MAX_CONTENT_LENGTH=_FORM_BYTES,
        MAX_FORM_MEMORY_SIZE=_FORM_BYTES,
        MAX_FORM_PARTS=20_000,
    )

    @app.before_request
    def refuse_strangers() -> None:
        if request.endpoint == "upload_files":
            request.max_content_length = settings.desk_upload_mb * _MEGABYTE
            request.max_form_parts = settings.desk_upload_files + 20
        _refuse_from_elsewhere(door)
        if request.endpoint not in _OPEN:
            _refuse_unknown(door)

    CSRFProtect(app)  # after the door: it reads the form

    @app.after_request
    def with_headers(response: Response) -> Response:
        for name, text in _HEADERS.items():
            response.headers.setdefault(name, text)
        response.headers.setdefault("Content-Security-Policy", POLICY)
        return response


def _refuse_from_elsewhere(door: Door) -> None:
    """Refuse another machine, another name of this one, and a form of another page."""
    if request.remote_addr not in (LOOPBACK, "::1"):
        abort(403, "The desk answers this machine alone.")
    if request.headers.get("Host", "").lower() not in door.hosts:
        abort(400, "The desk is not known under this address.")
    if request.method in _WRITES and request.headers.get("Origin", "").lower() not in door.origins:
        abort(403, "What is written must come from a page of the desk.")


def _refuse_unknown(door: Door) -> None:
    """Refuse whoever has not come in; with a proxy it says with every request who asks."""
    if not door.user_header:
        if not session.get("came_in"):
            abort(403, "Open the desk with the link that the command printed.")
        return
    named = _as_utf8(request.headers.get(door.user_header, "").strip())
    # Two values mean that somebody sent one past the proxy.
    if not named or "," in named or len(named) > _LONGEST_NAME or not named.isprintable():
        abort(403, "The proxy does not say who asks.")
    if session.get("by") != named:
        session.clear()
        session["by"] = named


def _as_utf8(text: str) -> str:
    """Read the bytes of a header as UTF-8, as proxies write names; the server took them for Latin-1."""
    try:
        return text.encode("latin-1").decode()
    except UnicodeError:
        return text
