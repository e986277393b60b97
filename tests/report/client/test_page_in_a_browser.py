"""The client's page in a browser: no sideways scrolling at any width, in the languages with the longest words."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from pathlib import Path


WIDTHS = (360, 768, 1280)
WATERS = """\
Sample,Client,Site,Date,Stage,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)
A-1,Kaffeehausgesellschaft mit sehr langem Namen,Geschäftsstelle-Nordwestvorstadt,2026-03-01,raw,7.4,268,214,560
A-2,Kaffeehausgesellschaft mit sehr langem Namen,Geschäftsstelle-Nordwestvorstadt,2026-03-01,treated,6.6,107,53.5,230
"""
MEASURE = """<script>onload = () => setTimeout(() => {
  const seen = [...document.querySelectorAll("iframe")].map((one) => {
    const page = one.contentDocument.documentElement; return [page.scrollWidth, page.clientWidth]; });
  const out = document.createElement("pre"); out.id = "out"; out.textContent = JSON.stringify(seen);
  document.body.append(out); }, 400);</script>"""


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the browser chromium")
@pytest.mark.parametrize("language", ["de", "fr"])
def test_nothing_scrolls_sideways(tmp_path: Path, language: str) -> None:
    (tmp_path / "waters.csv").write_text(WATERS, encoding="utf-8")
    CliRunner().invoke(main, ["intake", str(tmp_path / "waters.csv"), "--out", str(tmp_path / "out")])
    store = ["--store", str(tmp_path / "out" / "kettlestone.duckdb")]
    CliRunner().invoke(main, ["report", "A-1", "--language", language, "--out", str(tmp_path / "page.html"), *store])
    frames = "".join(f'<iframe src="page.html" style="width:{width}px;height:900px"></iframe>' for width in WIDTHS)
    (tmp_path / "frame.html").write_text(f"<body>{frames}{MEASURE}</body>", encoding="utf-8")
    words = ["chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
             "--virtual-time-budget=5000", "--dump-dom", (tmp_path / "frame.html").as_uri()]  # fmt: skip

    shown = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True).stdout  # noqa: S603 - our own page

    seen = json.loads(html.unescape(re.findall(r'<pre id="out">(.*?)</pre>', shown, re.DOTALL)[0]))
    assert [wide <= room for wide, room in seen] == [True] * len(WIDTHS), seen
