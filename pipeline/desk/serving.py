"""Serve the desk on this machine alone."""

from __future__ import annotations

import logging
import socket
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import waitress

from pipeline.desk.app import create_desk, token_of
from pipeline.desk.door import LOOPBACK
from pipeline.errors import UNCHANGED, KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.settings import Settings

_THREADS: Final = 4
_WAIT_S: Final = 5.0  # for another process that has the store; then the page says so and tries again
_SLACK: Final = 1_000_000  # bytes around an upload


def serve_desk(settings: Settings, by: str, tell: Callable[[str], None]) -> None:
    """Serve the desk until it is stopped.

    Parameters
    ----------
    settings : where the store is, on which port, for whom.
    by : who decides where the page does not say it.
    tell : told the link that opens the desk, once it listens.

    Raises
    ------
    KettlestoneError : the port is in use, or only half of what a team's desk needs is set.
    """
    if bool(settings.desk_address) != bool(settings.desk_user_header):
        raise KettlestoneError(
            "a team's desk needs both settings, desk_address and desk_user_header; a desk of one's own neither.\n"
            f"  {UNCHANGED}"
        )
    app = create_desk(replace(settings, lock_wait_s=min(settings.lock_wait_s, _WAIT_S)), by)
    logging.basicConfig(format="%(asctime)s %(message)s")
    server = waitress.create_server(
        app,
        sockets=[_listening(settings.desk_port)],
        threads=_THREADS,
        ident="",
        max_request_body_size=settings.desk_upload_mb * 1_000_000 + _SLACK,
    )
    tell(_link(settings, token_of(app)))
    try:
        server.run()
    finally:
        server.close()


def _listening(port: int) -> socket.socket:
    own = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        own.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        own.bind((LOOPBACK, port))
    except OSError as error:
        own.close()
        raise KettlestoneError(
            f"port {port} of this machine cannot be used: {error.strerror or error}.\n  {UNCHANGED}\n"
            "  A desk may be open already; else set another port with --port or the setting desk_port."
        ) from error
    return own


def _link(settings: Settings, token: str) -> str:
    if not token:
        return f"{settings.desk_address}/"
    return f"http://{LOOPBACK}:{settings.desk_port}/come-in?token={token}"
