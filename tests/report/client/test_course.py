"""The course of a site on its page: every usable visit and every new medium, the oldest first."""

from __future__ import annotations

import html
import re
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from pathlib import Path

WATERS = """\
Sample,Client,Site,Date,Stage,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)
A-1,A,Years,2024-03-01,raw,7.4,268,214,560
A-2,A,Years,2024-03-01,treated,6.6,107,53.5,230
A-3,A,Years,2025-03-01,raw,7.4,270,215,562
A-4,A,Years,2026-03-02,raw,7.4,266,213,558
A-5,A,Years,2026-04-02,raw,7.3,251,199,53
B-1,B,Once,2026-03-09,raw,7.2,141,117,309
"""
TREATMENTS = "client,site,treatment,installed on,bypass percent\nA,Years,decarboniser,2025-02-20,25\n"


def rows(page: str) -> list[list[str]]:
    """Take the table of the course apart."""
    table = page.split('id="course"')[1].split("</tbody>", maxsplit=1)[0].split("<tbody>")[1]
    cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in table.split("</tr>")]
    return [[html.unescape(cell).replace("\u00a0", " ") for cell in row] for row in cells if row]


@pytest.mark.source("DIN19640")
def test_visits_and_new_media_stand_in_their_order(tmp_path: Path) -> None:
    """268 mg/L are 15.0 °dH; the sample that is on hold is no part of the course."""
    for name, text in (("waters", WATERS), ("treatments", TREATMENTS)):
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    files = [str(tmp_path / "waters.csv"), str(tmp_path / "treatments.csv")]
    CliRunner().invoke(main, ["intake", *files, "--out", str(tmp_path / "out")])
    store = ["--store", str(tmp_path / "out" / "kettlestone.duckdb"), "--unit", "°dH"]

    for site in ("Years", "Once"):
        CliRunner().invoke(main, ["report", site, "--out", str(tmp_path / f"{site}.html"), *store])

    assert rows((tmp_path / "Years.html").read_text("utf-8")) == [
        ["1 March 2024", "Raw water", "15", "12", "560"],
        ["1 March 2024", "After treatment", "6.0", "3.0", "230"],
        ["20 Feb 2025", "new medium put in"],
        ["1 March 2025", "Raw water", "15", "12", "562"],
        ["2 March 2026", "Raw water", "15", "12", "558"],
    ]
    assert 'id="course"' not in (tmp_path / "Once.html").read_text("utf-8")
