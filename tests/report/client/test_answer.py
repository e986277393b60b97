"""`advise` and `report`, from the store to the sheet."""

from __future__ import annotations

import importlib.util
import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.errors import KettlestoneError
from pipeline.report.client import page as client_page
from pipeline.report.client.answer import Asked, advise_on, write_report
from pipeline.settings import Settings
from pipeline.site.record import site_record
from pipeline.store import site_records
from pipeline.store.database import Store

if TYPE_CHECKING:
    from types import ModuleType

TODAY = date(2026, 3, 20)
BAR = {"client": "Bar Uno", "site": "B-1", "country": "IT", "machine": "dual boiler", "treatment": "none"}
READINGS = [("total_hardness", 320.0), ("alkalinity", 260.0), ("ph", 7.5), ("conductivity", 684.0), ("chloride", 41.0)]


def _building() -> ModuleType:
    """Import the builders of the store's tests by their place."""
    path = Path(__file__).parents[2] / "store" / "building.py"
    spec = importlib.util.spec_from_file_location("store_building", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # a dataclass looks itself up there
    spec.loader.exec_module(module)
    return module


BUILDING = _building()


def _sample(name: str, day: str, **facts: Any) -> dict[str, Any]:  # noqa: ANN401 - columns
    usual = {"sample_id": name, "label": name.upper(), "collected_at": f"{day}T08:00:00Z", **BAR}
    return usual | facts


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """Give a store with a bar, its history, and other sites of similar names."""
    folder = tmp_path_factory.mktemp("client")
    samples = [
        _sample("lab", "2025-06-01"),
        _sample("soft", "2025-09-01"),
        _sample("kit", "2026-03-01"),
        _sample("held", "2026-03-10", verdict="hold"),
        _sample("only", "2026-03-01", site="B-2", verdict="hold"),
        _sample("meter", "2026-03-01", site="B-3"),
        _sample("twin", "2026-03-01", client="Bar Due", site="TWIN"),
        _sample("twin2", "2026-03-01", client="Bar Quattro", site="TWIN"),
    ]
    kit = READINGS[:2]
    readings = [
        *(("lab", *reading) for reading in READINGS),
        *(("soft", code, value / 4.0) for code, value in READINGS),
        *((name, *reading) for name in ("kit", "only", "twin", "twin2") for reading in kit),
        *(("held", code, value / 2.0) for code, value in kit),
        ("meter", "conductivity", 684.0),
    ]
    findings = [
        {"sample_id": name, "check_id": "conductivity-vs-hardness", "analyte": "total_hardness", "severity": "hold"}
        for name in ("held", "only")
    ]
    sites = pd.DataFrame([{**{name: BAR[name] for name in BAR}, "litres_per_day": "90", "comment": "drain at the bar"}])
    record = BUILDING.batch(
        samples=BUILDING.samples(samples),
        readings=BUILDING.readings(readings),
        findings=BUILDING.findings(findings),
        sites=sites,
    )
    with Store(folder / "s.duckdb") as store:
        BUILDING.write(store, record)
    return Settings(store=folder / "s.duckdb", out=folder / "out")


@pytest.mark.parametrize("text", ["B-1", "b-1", "Bar Uno / B-1", "bar uno/B-1", "KIT", "kit"])
def test_a_site_is_found_by_its_names_and_samples(settings: Settings, text: str) -> None:
    with Store(settings.store, read_only=True) as store:
        assert site_records.find_site(store, text) == ("Bar Uno", "B-1")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("TWIN", '2 sites are called "TWIN"'),
        ("Bar Uno", '3 sites are called "Bar Uno"'),
        ("B-11", "Similar sites:\n    Bar Uno / B-1"),
        ("nowhere at all", "Known sites:"),
        ("", "Known sites:"),
    ],
)
def test_a_name_that_is_not_one_site_is_answered_with_the_sites(settings: Settings, text: str, said: str) -> None:
    with Store(settings.store, read_only=True) as store, pytest.raises(KettlestoneError) as error:
        site_records.find_site(store, text)

    assert said in str(error.value)
    assert "Nothing was done" in str(error.value)


def test_the_latest_usable_sample_counts_and_borrows_only_from_the_same_water(settings: Settings) -> None:
    """The sample of September has a quarter of the hardness: another water, its chloride is not lent."""
    with Store(settings.store, read_only=True) as store:
        found = site_record(store, "B-1", TODAY)

    assert found.raw is not None
    assert (found.raw.label, found.raw.verdict) == ("KIT", "ok")
    assert {name: lender.label for name, lender in found.lent.items()} == {"chloride_mg_l": "LAB"}
    assert float(found.raw.samples.filled["chloride_mg_l"].iloc[0]) == 41.0
    assert [visit.label for visit in found.held] == ["HELD"]
    assert (found.facts.country, found.machine.name, found.fitted.litres, found.facts.drain) == (
        "IT",
        "dual boiler",
        90.0,
        True,
    )


def test_advice_is_data_with_fixed_keys_and_kept_once(settings: Settings) -> None:
    answer = advise_on(settings, "B-1", Asked(), TODAY, as_json=True)
    with Store(settings.store) as store:
        kept = store.connection.execute("SELECT * FROM advice WHERE site = 'B-1'").df()
        again = site_records.add_advice(store, kept)
    data = json.loads(answer.text)

    assert list(data)[:7] == ["decision", "treatment", "settings", "predicted", "reasons", "conditions", "cautions"]
    assert data["decision"] == "conditional"  # a later sample is on hold
    assert any("HELD" in line for line in data["conditions"])
    assert (answer.exit_code, answer.trouble) == (1, "")
    assert kept[["decision", "treatment", "sample_id"]].to_numpy().tolist() == [
        ["conditional", data["treatment"], "kit"]
    ]
    assert again == 0


def test_a_site_whose_only_sample_is_held_gets_no_advice(settings: Settings) -> None:
    answer = advise_on(settings, "B-2", Asked(), TODAY, as_json=True)
    data = json.loads(answer.text)

    assert (data["decision"], answer.exit_code) == ("cannot advise", 1)
    assert "conductivity and hardness do not agree" in data["reasons"][0]
    assert data["repeat"]


def test_a_site_without_hardness_is_told_what_to_measure(settings: Settings) -> None:
    answer = advise_on(settings, "B-3", Asked(language="de"), TODAY)

    assert answer.exit_code == 1
    assert "Gesamthärte und Alkalinität des Rohwassers messen" in answer.text


def test_the_page_is_written_where_no_name_leads(settings: Settings) -> None:
    answer = write_report(settings, "B-1", Asked(language="de"), TODAY)
    written = Path(answer.text)

    assert written.parent == settings.out
    assert written.name == f"Bar-Uno-B-1-{TODAY:%Y-%m-%d}.html"
    page = written.read_text(encoding="utf-8")
    assert "Bar Uno / B-1" in page
    assert ">32 ± 0<" not in page  # 320 ± 1 mg/L is 32.0 ± 0.1 °f
    assert "32,0\u00a0±\u00a00,1" in page  # never on two lines


def test_a_report_has_one_of_two_endings(settings: Settings, tmp_path: Path) -> None:
    with pytest.raises(KettlestoneError, match=r"as \.html or \.pdf"):
        write_report(settings, "B-1", Asked(), TODAY, tmp_path / "page.doc")


def test_without_its_library_a_pdf_is_refused_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)

    with pytest.raises(KettlestoneError, match="a PDF needs WeasyPrint"):
        client_page.pdf("<p>x</p>")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["advise", "no such place"], "no site, client or sample"),
        (["advise", "B-1", "--machine", "steam engine"], 'machine "steam engine" is not known'),
        (["advise", "B-1", "--profile", "river"], 'there is no profile "river"'),
        (["advise", "B-1", "--litres", "0"], "give a number above 0"),
        (["report", "B-1", "--unit", "bushel"], "not a unit of hardness"),
    ],
)
def test_what_cannot_be_understood_leaves_with_two(settings: Settings, arguments: list[str], said: str) -> None:
    result = CliRunner().invoke(main, [*arguments, "--store", str(settings.store)])

    assert result.exit_code == 2
    assert said in result.stderr
