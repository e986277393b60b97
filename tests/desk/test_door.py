"""Attacks on the desk: another name, another page, another machine, a link used twice, files that are too much."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

import pytest

from pipeline.desk.uploads import safe_name
from pipeline.errors import KettlestoneError
from pipeline.settings import load_settings

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.desk.conftest import Visitor

TEAM = {"desk_address": "https://bench.example.org", "desk_user_header": "Remote-User"}


def decisions(visitor: Visitor) -> int:
    """Count what was decided."""
    return int(visitor.ask("SELECT count(*) FROM decision")[0][0])


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:80", "127.0.0.1:8470.evil.example", "bench.example.org"]
)
def test_the_desk_has_no_other_name(reader: Visitor, host: str) -> None:
    """A page elsewhere whose name was turned to this machine (DNS rebinding) sends its own name."""
    assert reader.get("/", headers={"Host": host}).status_code == 400


def test_another_machine_is_refused(reader: Visitor) -> None:
    assert reader.get("/", environ_base={"REMOTE_ADDR": "192.0.2.7"}).status_code == 403


def test_a_link_opens_the_desk_once(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of(come_in=False)

    assert visitor.get("/").status_code == 403
    assert visitor.get("/come-in?token=guess").status_code == 403
    first = visitor.get(f"/come-in?token={visitor.token}")
    other = visitor.app.test_client().get(f"/come-in?token={visitor.token}", base_url=visitor.home)
    assert (first.status_code, other.status_code) == (200, 403)
    cookie = first.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert visitor.get("/").status_code == 200


def test_a_write_needs_the_token_of_this_session_and_this_origin(desk_of: Callable[..., Visitor]) -> None:
    visitor, stranger = desk_of(), desk_of()
    [number, *_] = visitor.waiting()
    address, answer = f"/finding/{number}/answer", {"action": "accept", "seen": "", "why": "forged"}
    foreign = {**answer, "csrf_token": stranger.csrf()}

    assert visitor.post(address, answer, csrf=False).status_code == 400
    assert visitor.post(address, foreign, csrf=False).status_code == 400
    for origin in ("http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1:8470", ""):
        assert visitor.post(address, answer, headers={"Origin": origin}).status_code == 403, origin
    assert visitor.get(address).status_code == 405
    assert decisions(visitor) == 0
    assert visitor.post(address, answer).status_code == 302
    assert decisions(visitor) == 1


def test_no_page_runs_or_shows_what_is_not_its_own(reader: Visitor) -> None:
    for address in ("/", "/findings", "/sites", "/upload", "/enter", "/questions"):
        answer = reader.get(address)

        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert re.findall(r"<script(?! src=)|\son\w+=|\sstyle=|javascript:", answer.text) == []
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Cache-Control"] == "no-store"


def test_a_header_that_nobody_set_names_nobody(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of(come_in=False)

    assert visitor.get("/", headers={"Remote-User": "boss", "X-Forwarded-User": "boss"}).status_code == 403


def test_behind_a_proxy_the_proxy_says_who_decides(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of(come_in=False, **TEAM)
    visitor.home, visitor.headers = (
        "https://bench.example.org",
        {"Remote-User": "J. Mei\u00dfner".encode().decode("latin-1")},
    )
    [number, *_] = visitor.waiting()

    done = visitor.answer(number, "accept", by="somebody else")
    assert done.status_code == 302
    assert visitor.ask("SELECT DISTINCT decided_by FROM decision") == [("J. Meißner",)]
    assert visitor.post("/who", {"by": "boss"}).status_code == 302
    assert "J. Meißner" in visitor.text("/")
    assert (
        "Secure"
        in visitor.app.test_client()
        .get("/upload", base_url=visitor.home, headers=visitor.headers)
        .headers["Set-Cookie"]
    )
    for named in ("", "boss, J. Mei\u00dfner", "a\tb", "x" * 81):
        assert visitor.get("/", headers={"Remote-User": named}).status_code == 403, named


def test_half_a_proxy_is_refused(tmp_path: Path) -> None:
    (tmp_path / "k.toml").write_text('desk_address = "bench.example.org/desk"\ndesk_user_header = "Remote User"\n')

    with pytest.raises(KettlestoneError, match=r"(?s)desk_address.*desk_user_header"):
        load_settings(tmp_path / "k.toml")


def test_an_upload_that_is_too_much_is_refused(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of(desk_upload_mb=1, desk_upload_files=3)
    before = visitor.ask("SELECT count(*) FROM source_file")
    large = b'--x\r\nContent-Disposition: form-data; name="files"; filename="a.csv"\r\n\r\n' + b"a,b\n" * 300_000
    many = {"files": [(io.BytesIO(b"a,b\n1,2\n"), f"{n}.csv") for n in range(4)]}

    sent = visitor.post("/upload", large, csrf=False, content_type="multipart/form-data; boundary=x")
    assert sent.status_code == 413
    assert visitor.post("/upload", many).status_code == 400
    assert visitor.post("/findings/answer", {"why": "x" * 2_100_000}).status_code == 413
    assert visitor.ask("SELECT count(*) FROM source_file") == before


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("../../etc/cron.d/job.csv", "job.csv"),
        ("C:\\Windows\\..\\sheet.csv", "sheet.csv"),
        ("..", "file"),
        ("/", "file"),
        (".hidden.csv", "hidden.csv"),
        ("a\x00b\x1b[2J.csv", "a_b_2J.csv"),
        ("<script>.csv", "_script_.csv"),
        ("\u202egnp.csv", "_gnp.csv"),
        ("Härte 2 (neu).csv", "Härte 2 (neu).csv"),
        (f"{'x' * 500}.csv", f"{'x' * 100}.csv"),
    ],
)
def test_a_file_name_is_never_a_path(sent: str, kept: str) -> None:
    assert safe_name(sent) == kept
