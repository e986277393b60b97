"""The page of one client, from advice given by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline.assess.extraction import cup_flags
from pipeline.assess.machines import known_machines
from pipeline.assess.profiles import published
from pipeline.assess.zones import ZONES
from pipeline.report.client import advice_text
from pipeline.report.client import page as client_page
from pipeline.report.client.sentences import Voice, verdict_word
from pipeline.report.client.units import own_unit
from pipeline.site.water import CUP_CODES, MACHINE_LIMITS
from pipeline.store.site_records import SiteName
from pipeline.words import LANGUAGES, Said, say, sentences_of
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.site.answer import SiteAnswer
    from pipeline.site.record import Site
    from pipeline.site.visit import Visit
    from pipeline.treat.advice import Advice

ORDER = ("advice", "numbers", "machine", "unknown", "cautions")


def _page(report: SiteAnswer, language: str = "en", unit: str = "°dH") -> str:
    return client_page.client_page(report, Voice(language, own_unit("DE", unit)))


def _plain(page: str) -> str:
    """Text of the body, without marks."""
    return " ".join(re.sub(r"<[^>]+>", " ", page[page.index("<body>") :]).split())


def test_the_page_says_everything_a_client_asks(report: Callable[..., SiteAnswer]) -> None:
    page = _page(report())
    text = _plain(page)

    assert re.findall(r'<h2 id="([a-z]+)"', page) == list(ORDER)
    assert "In the cup: this water does not suit coffee." in text
    assert "In the machine: something has to be done." in text
    assert "kg a year" in text
    assert "Decided" in text
    assert "Decarboniser" in text
    assert "Not measured: pH, conductivity at 25 °C, chloride" in text
    assert "not a drinking-water assessment" in text
    assert "European water chart, report of 2015/16" in text


@pytest.mark.source("DIN19640")
def test_hardness_stands_in_the_clients_unit_with_milligrams_beside_it(report: Callable[..., SiteAnswer]) -> None:
    """303.4 / 17.848 = 17.0 °dH, 36 / 17.848 = 2.0; by drops nobody knows a decimal of it."""
    text = _plain(_page(report()))

    assert "Total hardness °dH 17 ± 2 ▲ too high (303 ± 36)" in text
    assert "2.8 to 9.8" in text  # 50 / 17.848 and 175 / 17.848


def test_in_milligrams_nothing_stands_twice(report: Callable[..., SiteAnswer]) -> None:
    text = _plain(_page(report(), unit="mg/L"))

    assert "Total hardness mg/L 303 ± 36 ▲ too high 107–143 ○ inside 50 to 175" in text
    assert "In brackets" not in text


def test_the_german_page_is_german_to_the_last_word(report: Callable[..., SiteAnswer]) -> None:
    page = _page(report(), "de")
    text = _plain(page)

    assert '<html lang="de">' in page
    assert "2,8 bis 9,8" in text
    assert "20.03.2026" in text
    body = text[: text.index("Quellen:")]
    assert re.findall(r"\b(?:the|water|and|with|not|is|of|hardness|scale|year|measured)\b", body) == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_page_needs_nothing_from_elsewhere_and_runs_nothing(
    report: Callable[..., SiteAnswer], language: str
) -> None:
    page = _page(report(), language)

    assert not re.search(r"<script|javascript:|\son[a-z]+=|<link|<img|https?://|url\(|@import", page)
    assert '<svg viewBox="0 0 380.0 216.0" role="img" aria-labelledby="client-chart-title client-chart-desc"' in page
    assert page.count("<h1") == 1


def test_names_of_clients_are_text_and_nothing_else(
    report: Callable[..., SiteAnswer], site: Callable[..., Site], visit: Callable[..., Visit]
) -> None:
    hostile = '<script>alert("x")</script>'
    named = site(name=SiteName(hostile, "{{ 7 * 7 }}"), raw=visit(hostile))
    page = _page(replace(report(), site=named))

    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "{{ 7 * 7 }}" in page


def test_a_held_record_gets_no_advice_but_what_to_repeat(
    report: Callable[..., SiteAnswer],
    site: Callable[..., Site],
    visit: Callable[..., Visit],
    advice: Callable[..., Advice],
) -> None:
    held = visit(verdict="hold", findings=["conductivity-vs-hardness"])
    none = advice(
        decision="cannot advise",
        treatment="",
        settings={},
        predicted={},
        reasons=(),
        repeat=(Said("report.no_water.repeat"),),
    )

    text = _plain(_page(report(site(raw=held), none)))

    assert "No advice yet" in text
    assert "conductivity and hardness do not agree" in text
    assert "Measure total hardness and alkalinity of the raw water" in text
    assert "In the cup" not in text
    assert "Decarboniser" not in text.split("No advice yet")[1]


def test_a_later_sample_on_hold_makes_advice_conditional(
    report: Callable[..., SiteAnswer], site: Callable[..., Site], visit: Callable[..., Visit]
) -> None:
    later = visit("R-2", verdict="hold", findings=["hot-sample"], day="2026-03-10")
    made = report(site(held=(later,)))

    assert made.advice.decision == "conditional"
    assert "Sample R-2 (10 March 2026) is on hold and was not used: the sample was drawn hot" in _plain(_page(made))
    assert "Later samples are on hold: R-2 (10 March 2026)." in _plain(_page(made))


def test_a_reading_below_a_limit_stays_below_it(
    report: Callable[..., SiteAnswer], site: Callable[..., Site], visit: Callable[..., Visit]
) -> None:
    """Zero drops of 1 °dH are less than one drop, 17.8 mg/L; not zero."""
    nothing = float("nan")
    soft = visit(
        **{
            "total_hardness_mg_l_caco3": nothing,
            "total_hardness_mg_l_caco3.u": nothing,
            "total_hardness_mg_l_caco3.low": 0.0,
            "total_hardness_mg_l_caco3.high": 17.848,
        }
    )
    text = _plain(_page(report(site(raw=soft))))

    assert "Total hardness °dH &lt; 1" in text
    assert "only known to be below 1 °dH" in text


def test_what_moved_since_the_last_visit_has_an_arrow(
    report: Callable[..., SiteAnswer], site: Callable[..., Site], visit: Callable[..., Visit]
) -> None:
    """Alkalinity 150 ± 15 to 232 ± 29: 82 is more than √(15² + 29²) = 33; hardness 300 ± 36 to 303 ± 36 is not."""
    before = visit(
        "R-0",
        day="2025-09-01",
        **{"total_hardness_mg_l_caco3": 300.0, "alkalinity_mg_l_caco3": 150.0, "alkalinity_mg_l_caco3.u": 15.0},
    )
    text = _plain(_page(replace(report(), site=site(earlier=before))))

    assert "Since 1 Sept 2025: total hardness → unchanged within the uncertainty; alkalinity ↗ from 8" in text


def test_the_text_for_the_terminal_says_the_same(report: Callable[..., SiteAnswer]) -> None:
    text = advice_text.advice_text(report(), Voice("de", own_unit("DE")))

    assert "Empfohlen: Entkarbonis" in text
    assert "Gesamthärte: 7 °dH (6 bis 8)" in text  # 125, 107 and 143 mg/L over 17.848
    assert "Nicht gemessen: " in text


@pytest.mark.parametrize("language", LANGUAGES)
def test_everything_a_page_can_name_has_its_words(language: str) -> None:
    known = sentences_of(language)
    machines = known_machines()
    codes = [
        *(f"report.quantity.{name}" for name in WIDE_COLUMNS),
        *(f"report.zone.{zone}" for zone in ZONES),
        *(f"report.machine_name.{name}" for name in machines),
        *(f"report.place.{part.place}" for machine in machines.values() for part in machine.parts),
        *(f"report.profile.{name}" for name in published()),
        *(f"report.effect.{name}" for name in MACHINE_LIMITS),
        *CUP_CODES.values(),
    ]

    assert [code for code in codes if code not in known] == []


def test_every_word_of_taste_has_its_code(visit: Callable[..., Visit]) -> None:
    flags = cup_flags(visit().samples)

    assert set(flags) == set(CUP_CODES)
    assert all(isinstance(mask, np.ndarray) for mask in flags.values())


@pytest.mark.parametrize(
    ("verdict", "said"),
    [
        ("suitable", "nothing speaks against it"),
        ("probably act", "probably something has to be done"),
        ("undetermined, usually attention", "not settled, but usually it needs attention"),
        ("undetermined, at most suitable", "not settled, at worst nothing speaks against it"),
        ("cannot tell", "cannot be told from these readings"),
    ],
)
def test_doubt_in_a_verdict_is_kept(verdict: str, said: str) -> None:
    assert say(verdict_word(verdict)) == said
