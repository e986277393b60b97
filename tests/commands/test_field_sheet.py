"""`field-sheet`: a page that works alone on a phone, and whose CSV is read without loss."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.checks.conductivity import ConductivityLimits
from pipeline.cli import main

if TYPE_CHECKING:
    from pathlib import Path

FILES = {
    "sites.csv": "client,site,country,machine,treatment,litres per day\n"
    'Cafe <b>"One"</b>,C-1,DE,dual boiler,decarboniser,40\nTap,T-1,DE,brewer,none,20\n',
    "waters.csv": "Sample,Client,Site,Date,Stage,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),"
    'Conductivity (µS/cm)\nR-1,"Cafe <b>""One""</b>",C-1,2026-03-02,raw,7.4,250,220,520\n'
    'T-1,"Cafe <b>""One""</b>",C-1,2026-03-02,treated,6.6,85,55,230\n',
}
# What a person types: the first site before and after its treatment, with a comma and with a slip.
DRIVE = """<script>
const set = (s, f, v) => { const one = document.querySelectorAll("section[data-point]")[s]
  .querySelector(`[data-field=${f}]`); one.value = v; one.dispatchEvent(new Event("input", {bubbles: true})); };
set(0, "hardness", "14"); set(0, "alkalinity", "12"); set(0, "ec", "533"); set(0, "ph", "7,4");
set(0, "note", 'flushed, "two" minutes; then =1+1');
set(1, "hardness", "9"); set(1, "used", "5"); set(1, "ec", "100"); set(1, "ph", "acid");
const wide = document.documentElement.scrollWidth;
document.getElementById("show").click();
const out = document.createElement("pre"); out.id = "out"; out.textContent = JSON.stringify({
  csv: document.getElementById("text").value, wide, room: document.documentElement.clientWidth,
  said: [...document.querySelectorAll(".said")].map((one) => one.textContent),
  kept: JSON.parse(localStorage.getItem(localStorage.key(0)))});
document.body.appendChild(out);
</script></body>"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Import two sites and write their sheet."""
    place = tmp_path_factory.mktemp("sheet")
    for name, text in FILES.items():
        (place / name).write_text(text, encoding="utf-8")
    CliRunner().invoke(
        main, ["intake", str(place / "sites.csv"), str(place / "waters.csv"), "--out", str(place / "out")]
    )
    store = ["--store", str(place / "out" / "kettlestone.duckdb")]
    done = CliRunner().invoke(
        main, ["field-sheet", "--due", "--until", "2100-01-01", "--out", str(place / "sheet.html"), *store]
    )
    assert done.exit_code == 0, done.output
    return place


def test_the_page_needs_nothing_from_outside(folder: Path) -> None:
    page = (folder / "sheet.html").read_text("utf-8")

    assert not re.search(r"""(?:src|href)="|https?://|@import|url\(|fetch\(|<b>""", page)
    assert page.count("<article") == 2
    assert "last 250 mg/L, 2 March 2026" in html.unescape(page)
    limit = ConductivityLimits().highest_hardness_sulfate
    assert json.loads(re.findall(r'id="numbers">(.*?)</script>', page)[0])["highest_hardness"] == limit


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the browser chromium")
def test_on_a_phone_without_network_it_checks_keeps_and_hands_over(folder: Path) -> None:
    page = (folder / "sheet.html").read_text("utf-8")
    (folder / "driven.html").write_text(page.replace("</body>", DRIVE), encoding="utf-8")
    frame = '<body style="margin:0"><iframe id="f" src="driven.html" style="width:360px;height:900px"></iframe><script>'
    frame += 'onload = () => setTimeout(() => { document.body.append(document.getElementById("f")'
    frame += '.contentDocument.getElementById("out")); }, 300);</script></body>'
    (folder / "frame.html").write_text(frame, encoding="utf-8")
    words = ["chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
             "--host-resolver-rules=MAP * ~NOTFOUND", "--virtual-time-budget=4000", "--dump-dom",
             (folder / "frame.html").as_uri()]  # fmt: skip
    shown = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True).stdout  # noqa: S603 - our own page
    seen: dict[str, Any] = json.loads(html.unescape(re.findall(r'<pre id="out">(.*?)</pre>', shown, re.DOTALL)[0]))

    assert seen["wide"] <= seen["room"]
    assert seen["said"][0] == "hardness 250 mg/L · alkalinity 214 mg/L"
    assert "“acid” is not a number" in seen["said"][1]
    assert "conductivity too low for this hardness" in seen["said"][1]
    assert len(seen["kept"]) == 10  # nine fields and the kit
    (folder / "visits.csv").write_text(seen["csv"], encoding="utf-8")
    taken = CliRunner().invoke(main, ["intake", str(folder / "visits.csv"), "--out", str(folder / "out"), "--json"])
    summary = json.loads(taken.stdout)
    # 4 figures before; after the treatment 2, and the pH that is none is set aside and named.
    assert summary["entries"] == {"read": 7, "accepted": 6, "set_aside": 1}
    assert summary["files"][0]["layout"] == "drop-kit"


def test_without_a_site_there_is_no_sheet(folder: Path) -> None:
    store = ["--store", str(folder / "out" / "kettlestone.duckdb")]

    none = CliRunner().invoke(main, ["field-sheet", "--out", str(folder / "none.html"), *store])
    unknown = CliRunner().invoke(main, ["field-sheet", "C-11", "--out", str(folder / "none.html"), *store])

    assert "no site is named or due" in none.stderr
    assert "Similar sites" in unknown.stderr
    assert {none.exit_code, unknown.exit_code} == {2}
    assert not (folder / "none.html").exists()
