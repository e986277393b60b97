"""The consultant's own on a client's page, its file's name, and pages for all sites."""

from __future__ import annotations

import base64
import html
import re
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.errors import KettlestoneError
from pipeline.report.client import page as client_page
from pipeline.report.client.letterhead import page_name, unbroken
from pipeline.store.site_records import SiteName

if TYPE_CHECKING:
    from pipeline.site.answer import SiteAnswer

# A PNG of one pixel [PNG specification, an 1x1 image of one grey sample].
PNG = base64.b64decode("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR42mP4DwABAQEAG7buVgAAAABJRU5ErkJggg==")
WATERS = """\
Sample,Client,Site,Date,Stage,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)
A-1,Café <One>,B/1,2026-11-20,raw,7.4,268,214,560
B-1,Bar Two,,2026-11-20,raw,7.4,120,95,260
"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the pages of two sites with a letterhead."""
    folder = tmp_path_factory.mktemp("letterhead")
    (folder / "waters.csv").write_text(WATERS, encoding="utf-8")
    (folder / "logo.png").write_bytes(PNG)
    (folder / "k.toml").write_text(
        f'firm = "Water & Machine"\ncontact = "1 Mill Lane\\nmail@example.invalid"\nsigned_by = "A. Smith"\n'
        f'logo = "{folder / "logo.png"}"\nout = "{folder / "out"}"\n'
        f'store = "{folder / "out" / "kettlestone.duckdb"}"\n',
        encoding="utf-8",
    )
    settings = ["--settings", str(folder / "k.toml")]
    CliRunner().invoke(main, ["intake", str(folder / "waters.csv"), *settings])
    done = CliRunner().invoke(main, ["report", "--all", "--out", str(folder / "pages"), *settings])
    assert done.exit_code in (0, 1), done.output
    return folder / "pages"


def test_every_site_has_a_page_that_sorts_by_client_and_day(pages: Path) -> None:
    first, second = sorted(path.name for path in pages.iterdir())

    assert re.fullmatch(r"Bar-Two-\d{4}-\d\d-\d\d\.html", first)
    assert re.fullmatch(r"Café-One-B-1-[0-9a-f]{6}-\d{4}-\d\d-\d\d\.html", second)


@pytest.mark.faults
@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ZeroDivisionError("of no page"), "a fault of the program, ZeroDivisionError: of no page ("),
        (KettlestoneError("the disk is full"), "the disk is full"),
    ],
)
def test_one_page_that_fails_is_told_and_the_others_are_written(
    pages: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    """Exit code 1: something to look at; where every page fails, the code of what failed: 2, or 3 for a fault."""
    made = client_page.client_page
    culprits = ["Bar Two"]

    def fails(report: SiteAnswer, *rest: Any) -> str:  # noqa: ANN401 - passed on
        if report.site.name.client in culprits:
            raise error
        return made(report, *rest)

    monkeypatch.setattr(client_page, "client_page", fails)
    words = ["report", "--all", "--out", str(tmp_path), "--settings", str(pages.parent / "k.toml")]

    told = CliRunner().invoke(main, words)
    culprits.append("Café <One>")
    none_written = CliRunner().invoke(main, words)

    assert told.exit_code == 1
    assert [path.name for path in tmp_path.iterdir()] == [Path(told.stdout.strip()).name]
    assert re.search(rf"kettlestone: Bar-Two-\S+\.html was not written: {re.escape(said)}", told.stderr)
    assert ("Log: " in told.stderr) is not isinstance(error, KettlestoneError)
    assert none_written.exit_code == (2 if isinstance(error, KettlestoneError) else 3)


def test_the_page_bears_the_letterhead(pages: Path) -> None:
    page = next(pages.glob("Bar*")).read_text("utf-8")

    assert "<b>Water &amp; Machine</b><br>1 Mill Lane<br>mail@example.invalid" in page
    assert f"data:image/png;base64,{base64.b64encode(PNG).decode()}" in page
    assert '<p class="signature">A. Smith</p>' in page


def test_the_recommendation_comes_before_the_numbers(pages: Path) -> None:
    page = next(pages.glob("Bar*")).read_text("utf-8")

    assert page.index('id="advice"') < page.index('id="numbers"') < page.index('id="cautions"')


def test_numbers_and_units_stay_together() -> None:
    page = unbroken('<style>a{b: 1 L}</style><p title="5 mg/L">Take 10 L at 7.4 ± 0.2 to 12 °dH in 30 days.</p>')

    assert page == (
        '<style>a{b: 1 L}</style><p title="5 mg/L">Take 10\u00a0L at 7.4\u00a0±\u00a00.2\u00a0to 12\u00a0°dH '
        "in 30\u00a0days.</p>"
    )


def test_names_lead_nowhere() -> None:
    name = page_name(SiteName("../../etc", "passwd\x00 C:"), date(2026, 3, 2))

    assert re.fullmatch(r"etc-passwd-C-[0-9a-f]{6}-2026-03-02", name)
    assert page_name(SiteName("A/B", "x"), date(2026, 3, 2)) != page_name(SiteName("A B", "x"), date(2026, 3, 2))


@pytest.mark.parametrize(("content", "said"), [(b"<svg/>", "a logo is a PNG"), (None, "the logo cannot be read")])
def test_a_logo_that_is_none_is_named(pages: Path, tmp_path: Path, content: bytes | None, said: str) -> None:
    if content is not None:
        (tmp_path / "logo.png").write_bytes(content)
    (tmp_path / "k.toml").write_text(
        f'logo = "{tmp_path / "logo.png"}"\nstore = "{pages.parent / "out" / "kettlestone.duckdb"}"\n', encoding="utf-8"
    )

    done = CliRunner().invoke(main, ["report", "Bar Two", "--settings", str(tmp_path / "k.toml")])

    assert done.exit_code == 2
    assert said in done.stderr


def test_one_site_or_all_of_them() -> None:
    assert "name one SITE, or give --all" in CliRunner().invoke(main, ["report"]).stderr


@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("fr", ("Dans la tasse\u00a0: cette eau", "Ce que nous recommandons", "µS/cm", "décarbonateur")),
        ("it", ("Nella tazza: quest'acqua", "Che cosa consigliamo", "µS/cm", "decarbonatore")),
        ("es", ("En la taza: esta agua", "Lo que recomendamos", "µS/cm", "descarbonatador")),
    ],
)
def test_a_page_speaks_the_clients_language_to_the_last_word(
    pages: Path, tmp_path: Path, language: str, words: tuple[str, ...]
) -> None:
    store = str(pages.parent / "out" / "kettlestone.duckdb")
    page = tmp_path / "page.html"

    CliRunner().invoke(main, ["report", "Café <One>", "--language", language, "--store", store, "--out", str(page)])

    text = html.unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", page.read_text("utf-8"), flags=re.DOTALL))
    body = text.split("CaCO3", 1)[1].rsplit("European", 1)[0].casefold()
    assert all(word.casefold() in text.casefold() for word in words)
    # Words of the English page that none of these languages has; the sources keep their own titles.
    english = r"\b(?:the|water|with|and|hardness|alkalinity|machine's|from|measured|before|what|which|scale)\b"
    assert re.findall(english, body) == []
    assert not re.search(r"\d\.\d", body)
