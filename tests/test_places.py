"""Samples and registers meet at the site they mean, in whatever order they come."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.intake import run as take_in
from pipeline.settings import Settings
from pipeline.store.database import Store
from pipeline.store.registers import entries, of_site
from pipeline.store.site_records import find_site

if TYPE_CHECKING:
    from pathlib import Path

SITES = "client,site,code,region,country\nClient Q,Corner cafe,NK-14,North,GB\nClient Q,Harbour,NK-15,South,GB\n"
KIT = "Sample,Site code,Date,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3)\nS-1,NK-14,2025-04-02,268,214\n"
NAMED = KIT.replace("Site code", "Client,Site").replace("NK-14", "Client Q,Corner cafe")


def taken_in(folder: Path, *batches: dict[str, str]) -> Store:
    settings = Settings(store=folder / "kettlestone.duckdb", out=folder / "out")
    for number, files in enumerate(batches):
        inbox = folder / f"inbox {number}"
        inbox.mkdir()
        for name, text in files.items():
            (inbox / name).write_text(text, encoding="utf-8")
        take_in([inbox], settings)
    return Store(settings.store)


def samples(store: Store) -> list[tuple[str, ...]]:
    return store.connection.execute(
        "SELECT sample_id, label, client, site, region, country FROM v_sample ORDER BY label"
    ).fetchall()


def test_a_register_that_comes_after_the_samples_gives_the_same_samples(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()

    with (
        taken_in(tmp_path / "a", {"kit.csv": KIT, "sites.csv": SITES}) as together,
        taken_in(tmp_path / "b", {"kit.csv": KIT}, {"sites.csv": SITES}) as later,
    ):
        assert samples(together) == samples(later)
        assert [row[1:] for row in samples(later)] == [("S-1", "Client Q", "Corner cafe", "North", "GB")]
        assert later.connection.execute("SELECT DISTINCT client, site FROM v_latest").fetchall() == [
            ("Client Q", "Corner cafe")
        ]


def test_more_readings_of_a_placed_sample_join_it(tmp_path: Path) -> None:
    more = "Sample,Site code,Date,pH,Calcium (mg/L)\nS-1,NK-14,2025-04-02,7.4,80\n"

    with taken_in(tmp_path, {"kit.csv": KIT}, {"sites.csv": SITES}, {"more.csv": more}) as store:
        assert len(samples(store)) == 1
        assert store.connection.execute("SELECT ph, alkalinity_mg_l_caco3 FROM v_sample").fetchall() == [(7.4, 214.0)]


def test_a_site_is_found_by_its_code(tmp_path: Path) -> None:
    with taken_in(tmp_path, {"kit.csv": KIT, "sites.csv": SITES}) as store:
        assert find_site(store, "nk-14").name == "Client Q / Corner cafe"


def test_a_treatment_without_client_belongs_to_the_only_site_of_its_name_whichever_comes_first(tmp_path: Path) -> None:
    treatments = "site,treatment,installed on\nCorner cafe,decarboniser,2025-01-10\n"

    with taken_in(tmp_path, {"treatments.csv": treatments}, {"visits.csv": NAMED}) as store:
        found = of_site(entries(store, "treatment"), "Corner cafe", "Client Q")

    assert found["treatment"].tolist() == ["decarboniser"]


def test_a_treatment_of_a_site_that_two_clients_have_says_so(tmp_path: Path) -> None:
    treatments = "site,treatment,installed on\nCorner cafe,decarboniser,2025-01-10\n"
    other = NAMED.replace("Client Q", "Client R").replace("S-1", "R-1")

    with taken_in(tmp_path, {"treatments.csv": treatments, "visits.csv": NAMED, "visits of r.csv": other}) as store:
        told = store.connection.execute("SELECT message FROM notice WHERE problem = 'register-owner'").fetchall()
        found = entries(store, "treatment")

    assert len(told) == 1
    assert told[0][0].startswith('the row names no client, and 2 clients have a site "Corner cafe"')
    assert found["client"].tolist() == [""]


def test_a_country_below_its_heading_is_a_row_of_the_register_and_no_unit(tmp_path: Path) -> None:
    """A keyboard without µ writes US for microsiemens."""
    with taken_in(tmp_path, {"sites.csv": "client,site,country\nDiner,Diner 5,US\n"}) as store:
        assert store.connection.execute("SELECT client, site, country FROM site").fetchall() == [
            ("Diner", "Diner 5", "US")
        ]
