"""A desk that really serves, in a process of its own, and a person who sends forms to it."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request
from http.cookiejar import CookieJar
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from pathlib import Path


class Page(NamedTuple):
    """What came back."""

    status: int
    text: str
    location: str


class _StaysHere(urllib.request.HTTPRedirectHandler):
    """Follows nothing: where a form leads is part of the answer."""

    def redirect_request(self, *_given: Any) -> None:  # noqa: ANN401 - of the library
        return None


class ServedDesk:
    """A desk on a store, in a process of its own."""

    def __init__(self, store: Path, *words: str) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        command = [sys.executable, "-m", "pipeline.cli", "desk", "--by", "A. Smith", "--port", str(port)]
        self.process = subprocess.Popen(  # noqa: S603 - our own command
            [*command, "--store", str(store), *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env={"PYTHONUNBUFFERED": "1", "PATH": "/usr/bin:/bin"},
        )
        self.home = f"http://127.0.0.1:{port}"
        self.link = ""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if "token=" in line:
                self.link = line.strip()
                break
        assert self.link
        self._opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()), _StaysHere())
        self._csrf = ""

    def come_in(self) -> None:
        """Open the desk with its link."""
        assert self.get(self.link.removeprefix(self.home)).status == 200
        found = re.search(r'name="csrf_token" value="([^"]+)"', self.get("/upload").text)
        assert found
        self._csrf = found[1]

    def get(self, address: str) -> Page:
        """Ask for a page."""
        return self._send(urllib.request.Request(self.home + address))  # noqa: S310 - our own address

    def post(self, address: str, form: dict[str, str]) -> Page:
        """Send a form as a page of the desk does."""
        data = urllib.parse.urlencode({"csrf_token": self._csrf, **form}).encode()
        return self._send(urllib.request.Request(self.home + address, data, {"Origin": self.home}))  # noqa: S310 - same

    def upload(self, name: str, content: bytes) -> Page:
        """Send a file."""
        parts = (
            f'--x\r\nContent-Disposition: form-data; name="csrf_token"\r\n\r\n{self._csrf}\r\n'
            f'--x\r\nContent-Disposition: form-data; name="files"; filename="{name}"\r\n\r\n'
        )
        data = parts.encode() + content + b"\r\n--x--\r\n"
        headers = {"Origin": self.home, "Content-Type": "multipart/form-data; boundary=x"}
        return self._send(urllib.request.Request(self.home + "/upload", data, headers))  # noqa: S310 - same

    def _send(self, request: urllib.request.Request) -> Page:
        try:
            answer = self._opener.open(request, timeout=60)
        except urllib.error.HTTPError as error:
            answer = error
        with answer:
            return Page(answer.status, answer.read().decode(), answer.headers.get("Location", ""))

    def kill(self) -> None:
        """End the process at once, wherever it is."""
        self.process.kill()
        self.close()

    def close(self) -> None:
        """Stop the desk as Ctrl-C or TERM does."""
        if self.process.poll() is None:
            self.process.terminate()
        self.process.wait(timeout=30)
        if self.process.stdout is not None:
            self.process.stdout.close()
