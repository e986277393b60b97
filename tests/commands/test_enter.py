"""`enter`: a visit typed in is stored like any file, judged and advised on; what cannot be is refused."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

import duckdb
import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Run = Callable[..., Result]

# DIN 19640: 1 °dH is 10 mg/L CaO; times 100.087/56.077 it is 17.848 mg/L CaCO3.
GERMAN_DEGREE = 10.0 * 100.087 / 56.077


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Run a command on one store for all tests of this file."""
    folder = tmp_path_factory.mktemp("enter")

    def run(*words: str) -> Result:
        return CliRunner().invoke(main, [*words, "--store", str(folder / "kettlestone.duckdb")])

    run.folder = folder  # type: ignore[attr-defined]
    return run


@pytest.fixture(scope="module")
def entered(runs: Run) -> Result:
    """Nine and six drops of the default kit, at a site that nobody knows yet."""
    return runs(
        "enter", "Corner cafe", "--hardness", "9", "--alkalinity", "6", "--client", "Q", "--machine", "dual boiler",
        "--date", "2026-03-02", "--ph", "7,4",
    )  # fmt: skip


def rows(runs: Run, sql: str) -> list[tuple[object, ...]]:
    with duckdb.connect(str(runs.folder / "kettlestone.duckdb"), read_only=True) as store:  # type: ignore[attr-defined]
        return store.execute(sql).fetchall()


@pytest.mark.source("DIN19640")
def test_drops_in_verdict_and_advice_out(runs: Run, entered: Result) -> None:
    assert entered.exit_code in (0, 1), entered.output
    assert "Q / Corner cafe is a new site." in entered.output
    assert re.search(r"○ ok  Corner cafe 2026-03-02 raw", entered.output)
    assert "Decarboniser" in entered.output
    ((hardness, alkalinity, ph),) = rows(
        runs,
        "SELECT total_hardness_mg_l_caco3, alkalinity_mg_l_caco3, ph FROM v_sample "
        "WHERE label = 'Corner cafe 2026-03-02 raw'",
    )
    assert hardness == pytest.approx(9 * GERMAN_DEGREE, abs=0.1)
    assert alkalinity == pytest.approx(6 * GERMAN_DEGREE, abs=0.1)
    assert ph == 7.4


def test_what_was_typed_is_archived_as_a_line(runs: Run, entered: Result) -> None:
    assert entered.exit_code in (0, 1)
    ((sha256,),) = rows(runs, "SELECT file_sha256 FROM source_file ORDER BY batch_id LIMIT 1")
    (archived,) = (runs.folder / "archive").rglob(f"{sha256}*")  # type: ignore[attr-defined]

    heading, line = archived.read_text("utf-8").splitlines()
    assert dict(zip(heading.split(","), line.split(","), strict=True)) == {
        "client": "Q", "site": "Corner cafe", "sample": "Corner cafe 2026-03-02 raw", "date": "2026-03-02",
        "stage": "raw", "degree per drop": "1", "kit unit": "°dH", "nominal volume": "10", "volume used": "10",
        "hardness drops": "9", "alkalinity drops": "6", "pH": "7.4", "machine": "dual boiler",
    }  # fmt: skip


def test_half_the_water_doubles_the_drop_and_a_preview_stores_nothing(runs: Run, entered: Result) -> None:
    assert entered.exit_code in (0, 1)
    before = rows(runs, "SELECT count(*) FROM reading")

    result = runs(
        "enter", "corner CAFE", "--hardness", "5", "--alkalinity", "3", "--volume-used", "5", "--preview", "--json"
    )

    answer = json.loads(result.stdout)
    assert answer["remarks"] == ["A preview: nothing was stored."]
    assert answer["sample"]["site"] == "Corner cafe"
    assert answer["advice"]["site"] == "Corner cafe"
    assert answer["advice"]["sample"] == answer["sample"]["label"]
    assert any(f"{10 * GERMAN_DEGREE:.0f}" in line for line in answer["advice"]["reasons"])
    assert rows(runs, "SELECT count(*) FROM reading") == before


def test_the_same_visit_twice_adds_nothing_and_another_one_has_a_name_of_its_own(runs: Run, entered: Result) -> None:
    assert entered.exit_code in (0, 1)
    visit = ("enter", "Q / Corner cafe", "--point", "treated", "--alkalinity", "55mg/L", "--date", "02.03.2026")

    first, again, other = runs(*visit), runs(*visit), runs(*visit, "--hardness", "5")

    assert "entered before" not in first.output
    assert "The same visit was entered before; nothing was added." in again.output
    assert "Corner cafe 2026-03-02 treated 2" in other.output
    assert rows(runs, "SELECT count(*) FROM sample WHERE stage = 'treated'") == [(2,)]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "give at least one reading"),
        (("--hardness", "200"), "200 drops of 1 German degree"),
        (("--hardness", "-3"), "it cannot be below 0"),
        (("--hardness", "nine"), "write a count of drops such as 9"),
        (("--hardness", "8,5"), "drops are whole; write a value with its unit, for example 8.5°dH"),
        (("--alkalinity", "6 bananas"), '"bananas" is no unit of it'),
        (("--ph", "74"), "pH lies between 0 and 14"),
        (("--hardness", "9", "--date", "2999-01-01"), "that day has not come yet"),
        (("--hardness", "9", "--date", "March"), "write the day as "),
        (("--hardness", "9", "--kit", "germn-degree"), 'there is no kit "germn-degree"; did you mean "german-degree"?'),
        (("--hardness", "9", "--volume-used", "0"), "write millilitres above 0; this kit is made for 10 mL"),
        (("--hardness", "9", "--volume-used", "-5"), "it cannot be below 0"),
        (("--hardness", "9", "--volume-used", "five"), "write millilitres such as 5"),
        (("--hardness", "9", "--litres", "0"), "write litres above 0"),
        (("--hardness", "9", "--machine", "steam engine"), 'machine "steam engine" is not known. Known:'),
    ],
)
def test_what_cannot_be_is_refused_with_what_to_write(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    result = CliRunner().invoke(main, ["enter", "Bar", *words, "--store", str(tmp_path / "s.duckdb")])

    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())
    assert "Nothing was" in result.stderr
    assert not list(tmp_path.iterdir())


def test_no_drop_is_less_than_one(runs: Run) -> None:
    """A colour at once means less than one drop, and not zero."""
    result = runs(
        "enter", "Soft house", "--hardness", "0", "--alkalinity", "15", "--tds", "330", "--date", "2026-03-02"
    )

    assert result.exit_code in (0, 1), result.output
    assert rows(
        runs, "SELECT qualifier, round(\"limit\", 1) FROM reading WHERE analyte = 'total_hardness' AND drops = 0"
    ) == [("<", round(GERMAN_DEGREE, 1))]


@pytest.mark.common_practice
def test_kits_of_ones_own_stand_beside_the_generic_ones(tmp_path: Path) -> None:
    (tmp_path / "kits.toml").write_text(
        '[kits.bench]\ntitle = "bench kit"\ndegree_per_drop = 50\ndegree_unit = "mg/L"\nnominal_ml = 5\n'
        'quantities = ["alkalinity"]\n',
        encoding="utf-8",
    )
    settings = tmp_path / "kettlestone.toml"
    settings.write_text(f'kits = "{tmp_path / "kits.toml"}"\nkit = "bench"\n', encoding="utf-8")

    def run(*words: str) -> Result:
        return CliRunner().invoke(main, [*words, "--settings", str(settings)])

    assert {kit["name"]: kit["drop_mg_l"] for kit in json.loads(run("kit", "list", "--json").stdout)}["bench"] == 50.0
    assert "25 mg/L with 10 mL" in run("kit", "show", "bench").stdout
    assert run("convert", "3", "drops", "mg/L", "--of", "alkalinity").stdout.startswith("3 drops = 150 mg/L")
    refused = run("enter", "Bar", "--hardness", "3", "--store", str(tmp_path / "s.duckdb"))
    assert "the kit bench counts alkalinity only" in refused.stderr


@pytest.mark.source("DIN19640")
def test_drops_are_converted(runs: Run) -> None:
    assert runs("convert", "9", "drops", "mg/L").stdout.startswith("9 drops = 160.6")
    assert runs("convert", "9", "drops", "mg/L", "--kit", "french-degree", "--volume-used", "5").stdout.startswith(
        "9 drops = 180 mg/L"
    )
    assert runs("convert", "9.5", "drops", "mg/L").exit_code == 2
