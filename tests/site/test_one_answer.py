"""`retest` and `advise` about one site: whatever register, site row and sample row say, they say the same."""

from __future__ import annotations

import itertools
import json
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.site.statements import ORDER, Statement, resolved

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

OUTCOMES = ("keep", "readjust", "change-medium", "repair", "replace", "fit", "nothing-needed", "ask-first")
REGISTERED = ("", "decarboniser,2026-01-02,30,50", "softener,2026-01-02,10,")
SITE_ROWS = ("", "softener,90", "Entkarbonisierer,90", "keine,")
SAMPLE_ROWS = (",,", "decarboniser,30,20", "softener,,", ",25,")
# 250 and 200 through weak-acid resin with 30 % of raw water: 250 - 0.7 · 196 = 113, 0.3 · 200 + 0.7 · 4 = 63 (the 4
# mg/L that the resin leaves are common practice); conductivity falls with them.
READ = {"raw": "7.4,250,200,560", "treated": "6.6,113,63,350"}


class Place(NamedTuple):
    """What the three places say of one site."""

    register: str
    site: str
    sample: str

    def expected(self) -> tuple[str, str]:
        """Give the treatment and who says it, by the order register, sample, site."""
        words = {"Entkarbonisierer": "decarboniser", "keine": "none"}
        for by, text in (("register", self.register), ("sample", self.sample), ("site", self.site)):
            named = text.split(",")[0]
            if named and not (by == "sample" and named == self.site.split(",")[0]):
                return words.get(named, named), by
        return "", ""


_EVERY = 11  # runs with the fast tests; eleven has no divisor with the counts of the grid
GRID = [Place(*one) for one in itertools.product(REGISTERED, SITE_ROWS, SAMPLE_ROWS)]


@pytest.fixture(scope="module")
def ask(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, int], dict[str, Any]]:
    """Import one site for every place of the grid, and give what a command says of it."""
    folder = tmp_path_factory.mktemp("grid")
    readings = "pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)"
    samples = [f"Sample,Client,Site,Date,Stage,Treatment,Bypass (%),Litres per day,{readings}"]
    sites, registered = ["client,site,country,treatment,litres per day"], []
    for number, place in enumerate(GRID):
        samples += [f"R{number},Nobody,N-{number},2026-02-03,raw,,,,{READ['raw']}"]
        samples += [f"T{number},Nobody,N-{number},2026-02-03,treated,{place.sample},{READ['treated']}"]
        sites += [f"Nobody,N-{number},DE,{place.site}"] if place.site else []
        registered += [f"Nobody,N-{number},{place.register}"] if place.register else []
    heading = "client,site,treatment,installed on,bypass percent,litres per day"
    for name, lines in (("samples", samples), ("sites", sites), ("treatments", [heading, *registered])):
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    files = [str(path) for path in sorted(folder.glob("*.csv"))]
    CliRunner().invoke(main, ["intake", *files, "--out", str(folder / "out")])

    @cache
    def answer(command: str, number: int) -> dict[str, Any]:
        store = ["--store", str(folder / "out" / "kettlestone.duckdb")]
        found = CliRunner().invoke(main, [command, f"N-{number}", "--json", *store])
        assert found.exit_code in (0, 1), found.output
        data: dict[str, Any] = json.loads(found.stdout)
        return data

    return answer


@pytest.mark.parametrize(
    "number",
    [
        pytest.param(number, id="|".join(place), marks=[] if number % _EVERY == 0 else [pytest.mark.slow])
        for number, place in enumerate(GRID)
    ],
)
def test_retest_and_advise_agree_on_what_is_fitted_and_what_is_to_happen(
    number: int, ask: Callable[[str, int], dict[str, Any]]
) -> None:
    """48 sites: three things a register may say, four of a site row, four of a sample row; every eleventh is fast."""
    place = GRID[number]

    retest, advise = ask("retest", number), ask("advise", number)

    assert retest["fitted"] == advise["fitted"]
    assert retest["notices"] == advise["notices"]
    assert retest["outcome"] == advise["outcome"]
    assert retest["outcome"] in OUTCOMES
    assert (retest["fitted"]["treatment"], retest["fitted"]["said_by"]) == place.expected()
    assert retest["settings"].get("bypass") == retest["fitted"]["bypass"]


@pytest.mark.parametrize("number", [number for number, place in enumerate(GRID) if place.register and place.site][::6])
def test_what_one_place_says_against_another_is_told(number: int, ask: Callable[[str, int], dict[str, Any]]) -> None:
    place = GRID[number]

    found = ask("retest", number)

    meant = {"Entkarbonisierer": "decarboniser", "keine": "none"}
    said = {meant.get(name, name) for name in (text.split(",")[0] for text in place) if name}
    told = [line for line in found["notices"] if "it is:" in line]
    assert len(told) >= len(said) - 1
    assert bool(told) == (len(said) > 1)


STATEMENTS = st.lists(
    st.builds(
        Statement,
        st.sampled_from(ORDER),
        st.sampled_from(["", "none", "softener", "decarboniser", "Umkehrosmose", "magic stone"]),
        st.sampled_from([float("nan"), 0.1, 0.3]),
        st.sampled_from([float("nan"), 20.0, 90.0]),
    ),
    max_size=6,
    unique_by=lambda one: one.said_by,
)


@given(STATEMENTS, st.randoms())
@settings(max_examples=200)
def test_the_order_in_which_places_are_asked_does_not_matter(statements: list[Statement], order: Any) -> None:  # noqa: ANN401 - random
    shuffled = list(statements)
    order.shuffle(shuffled)

    assert repr(resolved(statements)) == repr(resolved(shuffled))


@given(STATEMENTS)
def test_what_is_believed_was_said_and_nothing_said_otherwise_is_passed_over(statements: list[Statement]) -> None:
    found = resolved(statements)

    assert found.treatment in {"", *(one.treatment for one in statements)}
    others = {one.said_by for one in statements if one.treatment not in ("", found.treatment)}
    assert len([said for said in found.notices if said.code == "site.differs.treatment"]) == len(others)
    unread = [one for one in statements if one.written and not one.treatment]
    assert len([said for said in found.notices if said.code == "site.not_understood"]) == len(unread)


def said(folder: Path, *words: str) -> dict[str, Any]:
    found = CliRunner().invoke(main, [*words, "--json", "--store", str(folder / "out" / "kettlestone.duckdb")])
    data: dict[str, Any] = json.loads(found.stdout)
    return data


def test_the_register_counts_as_it_stood_on_the_day(tmp_path: Path) -> None:
    """A softener until November, then a decarboniser, last tested in June: the pair is compared with the softener."""
    heading = "sample,client,site,stage,date,total hardness [mg/L as CaCO3],alkalinity [mg/L as CaCO3],EC [µS/cm],pH\n"
    (tmp_path / "samples.csv").write_text(
        f"{heading}R,A,S,raw,2025-06-03,392.5,267.4,782,7.3\nT,A,S,treated,2025-06-03,89.2,267.4,760,7.3\n"
    )
    (tmp_path / "treatments.csv").write_text(
        "client,site,treatment,installed on,bypass percent\n"
        "A,S,decarboniser,2025-11-01,40\nA,S,softener,2025-01-10,22.7\n"
    )
    CliRunner().invoke(main, ["intake", str(tmp_path), "--out", str(tmp_path / "out")])

    retest, advise = said(tmp_path, "retest", "S"), said(tmp_path, "advise", "S")

    assert (retest["treatment"], retest["settings"], retest["proof"]) == ("softener", {"bypass": 0.227}, "proved")
    assert retest["fitted"] == advise["fitted"]
    assert (retest["fitted"]["treatment"], retest["fitted"]["bypass"]) == ("decarboniser", 0.4)
    assert "something else has been fitted" in retest["findings"][0]
    assert retest["outcome"] == advise["outcome"] == "ask-first"


def test_what_is_entered_last_for_a_site_counts_and_not_what_samples_took_over_from_it(tmp_path: Path) -> None:
    """The import writes the site's treatment into its samples; a later entry for the site is not outvoted by that."""
    heading = "sample,client,site,stage,date,total hardness [mg/L as CaCO3],alkalinity [mg/L as CaCO3],EC [µS/cm],pH\n"
    (tmp_path / "samples.csv").write_text(
        f"{heading}R,A,S,raw,2025-06-03,250,200,560,7.4\nT,A,S,treated,2025-06-03,113,63,350,6.6\n"
    )
    (tmp_path / "sites.csv").write_text("client,site,country,treatment,litres per day\nA,S,DE,softener,90\n")
    CliRunner().invoke(main, ["intake", str(tmp_path), "--out", str(tmp_path / "out")])
    before = said(tmp_path, "retest", "S")["fitted"]

    store = ["--store", str(tmp_path / "out" / "kettlestone.duckdb")]
    facts = ["--treatment", "decarboniser", "--litres", "70", "--by", "A", "--why", "seen"]
    entered = CliRunner().invoke(main, ["site", "set", "S", *facts, *store])
    retest, advise = said(tmp_path, "retest", "S"), said(tmp_path, "advise", "S")

    assert entered.exit_code == 0
    assert (before["treatment"], before["said_by"], before["litres_per_day"]) == ("softener", "site", 90.0)
    assert retest["fitted"] == advise["fitted"]
    assert (retest["fitted"]["treatment"], retest["fitted"]["litres_per_day"]) == ("decarboniser", 70.0)


def test_litres_given_for_one_answer_are_used_and_said(tmp_path: Path) -> None:
    (tmp_path / "samples.csv").write_text(
        "sample,client,site,stage,date,total hardness [mg/L as CaCO3],alkalinity [mg/L as CaCO3]\n"
        "R,A,S,raw,2025-06-03,250,200\n"
    )
    CliRunner().invoke(main, ["intake", str(tmp_path), "--out", str(tmp_path / "out")])

    fitted = said(tmp_path, "advise", "S", "--litres", "55")["fitted"]

    assert (fitted["litres_per_day"], fitted["litres_said_by"]) == (55.0, "asked")
