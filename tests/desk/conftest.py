"""A desk with a sheet of planted errors, and a visitor who has come in."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import pytest

from pipeline.desk.app import create_desk, token_of
from pipeline.intake import run
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from flask import Flask
    from werkzeug.test import TestResponse

HOME: Final = "http://127.0.0.1:8470"
_HEADING: Final = (
    "Sample,Client,Site,Date,Stage,pH,Conductivity (µS/cm),Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3)\n"
)
# Ordinary waters, and three slips of the pen: a decimal sign lost, mS/cm under µS/cm, a zero too many.
_ROWS: Final = (
    *((f"W-{n}", f"S{n}", f"7.{n}", 500 + 10 * n, 210 + 4 * n, 170 + 3 * n) for n in range(8)),
    ("E-1", "S1", "74", 520, 216, 175),
    ("E-2", "S2", "7.4", 0.53, 220, 178),
    ("E-3", "S3", "7.3", 540, 2240, 181),
)
# What the alkalinity of this sheet counts is asked once for all of it.
_OPEN_FORM: Final = (
    "Sample,Client,Site,Date,Total Hardness (mg/L CaCO3),Total Alkalinity (mg/L),Conductivity (µS/cm)\n"
    + "".join(
        f"F-{n},R,T{n},2025-03-{n + 1:02},{150 + 10 * n},{(150 + 10 * n) * 8 // 10},{315 + 21 * n}\n" for n in range(6)
    )
)


class Visitor:
    """A browser in front of the desk, without its pictures and scripts."""

    def __init__(self, app: Flask, *, come_in: bool = True) -> None:
        self.app = app
        self.client = app.test_client()
        self.headers: dict[str, str] = {}
        self.home = HOME
        self.token = token_of(app)
        if come_in:
            assert self.get(f"/come-in?token={self.token}").status_code == 200

    def get(self, address: str, **given: Any) -> TestResponse:  # noqa: ANN401 - of the client
        """Ask for a page."""
        headers = {**self.headers, **given.pop("headers", {})}
        return self.client.get(address, base_url=self.home, headers=headers, **given)

    def text(self, address: str) -> str:
        """Give the text of a page that must be there."""
        answer = self.get(address)
        assert answer.status_code == 200, answer.text
        return answer.text

    def csrf(self) -> str:
        """Take the token of a page."""
        found = re.search(r'name="csrf_token" value="([^"]+)"', self.text("/upload"))
        assert found
        return found[1]

    def post(self, address: str, data: dict[str, Any], **given: Any) -> TestResponse:  # noqa: ANN401 - of the client
        """Send a form as a page of the desk does."""
        headers = {"Origin": self.home, **self.headers, **given.pop("headers", {})}
        form = {"csrf_token": self.csrf(), **data} if given.pop("csrf", True) else data
        return self.client.post(address, data=form, base_url=self.home, headers=headers, **given)

    def answer(self, number: int, action: str, **more: str) -> TestResponse:
        """Answer a finding as its page does, with the decision in force that the page shows."""
        seen = re.search(r'name="seen" value="(\d*)"', self.text(f"/finding/{number}"))
        assert seen
        return self.post(f"/finding/{number}/answer", {"seen": seen[1], "action": action, **more})

    def waiting(self) -> list[int]:
        """Give the numbers of the findings that the list shows as waiting."""
        return [int(number) for number in re.findall(r'name="number" value="(\d+)"', self.text("/findings"))]

    def ask(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """Ask the store."""
        settings = self.app.extensions["kettlestone_desk"].settings
        with Store(settings.store, read_only=True) as store:
            return store.connection.execute(sql, list(values)).fetchall()


@pytest.fixture(scope="session")
def planted(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    """Give results of the sheets above, to be read only."""

    def take_in(folder: Path) -> None:
        rows = "".join(
            f"{name},Cafe,{site},2025-0{1 + place % 6}-1{place % 9},raw,{ph},{ec},{hardness},{alkalinity}\n"
            for place, (name, site, ph, ec, hardness, alkalinity) in enumerate(_ROWS)
        )
        (folder / "slips.csv").write_text(_HEADING + rows, encoding="utf-8")
        (folder / "form.csv").write_text(_OPEN_FORM, encoding="utf-8")
        settings = Settings(out=folder / "out", store=folder / "out" / "kettlestone.duckdb")
        run([folder / "slips.csv", folder / "form.csv"], settings)

    return made_once("desk", take_in)


@pytest.fixture(scope="module")
def desk_of(planted: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Visitor]:
    """Give a function that opens a desk on a copy of the planted results, and comes in."""

    def opened(*, come_in: bool = True, **settings: Any) -> Visitor:  # noqa: ANN401 - by name
        folder = tmp_path_factory.mktemp("desk")
        shutil.copytree(planted / "out", folder / "out")
        given = Settings(out=folder / "out", store=folder / "out" / "kettlestone.duckdb", lock_wait_s=0.2)
        return Visitor(create_desk(replace(given, **settings), "A. Smith"), come_in=come_in)

    return opened


@pytest.fixture(scope="module")
def reader(desk_of: Callable[..., Visitor]) -> Visitor:
    """Give a desk that nobody writes to."""
    return desk_of()
