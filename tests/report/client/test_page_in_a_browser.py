"""The client's page in a browser and on paper, in every language: nothing sideways, nothing unreadable, two sheets."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.words import LANGUAGES

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.desk.browser import Chromium

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the browser chromium"),
]
WIDTHS = (360, 768, 1280)
SIZES = ("A4", "letter")
# Several visits and ions, a chloride above its limit and a long name: as full as a page of a site gets.
_NAME = "Kaffeehausgesellschaft mit sehr langem Namen,Geschäftsstelle-Nordwestvorstadt"
WATERS = f"""\
Sample,Client,Site,Date,Stage,pH,TH (mg/L CaCO3),Alkalinity (mg/L CaCO3),EC (µS/cm),Cl (mg/L),Na (mg/L),SO4 (mg/L)
A-1,{_NAME},2025-02-11,raw,7.4,303,232,640,32,18,45
A-2,{_NAME},2025-02-11,treated,6.6,125,54,345,32,18,45
A-3,{_NAME},2025-08-12,raw,7.4,300,230,636,,,
A-4,{_NAME},2025-08-12,treated,6.8,150,80,380,,,
A-5,{_NAME},2026-03-01,raw,7.4,303,232,640,,,
A-6,{_NAME},2026-03-01,treated,7.0,215,144,505,,,
"""
SITES = f"""\
client,site,country,machine,treatment,litres per day,bypass percent
{_NAME},DE,heat exchanger,decarboniser,38,22
"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Write the page of one site in every language."""
    folder: Path = tmp_path_factory.mktemp("pages")
    for name, text in (("waters.csv", WATERS), ("sites.csv", SITES)):
        (folder / name).write_text(text, encoding="utf-8")
    files = [str(path) for path in folder.glob("*.csv")]
    CliRunner().invoke(main, ["intake", *files, "--out", str(folder / "out")])
    found = {}
    for language in LANGUAGES:
        found[language] = folder / f"{language}.html"
        words = ["report", "A-6", "--language", language, "--out", str(found[language])]
        done = CliRunner().invoke(main, [*words, "--store", str(folder / "out" / "kettlestone.duckdb")])
        assert done.exit_code in (0, 1), done.output
    return found


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    from tests.desk.browser import Chromium  # noqa: PLC0415 - needs a browser

    opened = Chromium(tmp_path_factory.mktemp("browser"))
    yield opened
    opened.close()


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_page_can_be_read_at_every_width(pages: dict[str, Path], browser: Chromium, language: str) -> None:
    """No sideways scrolling, and none of the rules for accessible pages broken, contrast (AA) among them."""
    browser.go(pages[language].as_uri())
    for width in WIDTHS:
        browser.width(width)

        assert browser.script("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), width
        assert browser.violations(contrast=True) == [], width


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_page_fits_one_leaf_of_paper(pages: dict[str, Path], browser: Chromium, language: str) -> None:
    """Two sides of A4 or letter, and no letters below 8 pt, cautions included."""
    for size in SIZES:
        sheet = pages[language].with_suffix(f".{size}.html")
        sheet.write_text(pages[language].read_text("utf-8").replace("size:A4", f"size:{size}"), encoding="utf-8")
        browser.go(sheet.as_uri())

        assert browser.sheets() <= 2, size
        assert browser.smallest_print() >= 8.0
