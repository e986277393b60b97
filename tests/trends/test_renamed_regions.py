"""A region that got another name is one region; a site that moved into another is none of a new name."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.store.renamed_regions import last_names, renamings

if TYPE_CHECKING:
    from pathlib import Path


def stays(*rows: tuple[str, str, int, int]) -> pd.DataFrame:
    """Give sites that were sampled under the name of a region from one year to another."""
    frame = pd.DataFrame(rows, columns=["site", "region", "first", "last"]).assign(client="C")
    return frame.assign(**{name: pd.to_datetime(frame[name].astype(str) + "-06-01") for name in ("first", "last")})


def everywhere(region: str, first: int, last: int, sites: int = 4) -> list[tuple[str, str, int, int]]:
    """Give the same stay of several sites."""
    return [(f"S{number}", region, first, last) for number in range(sites)]


def test_all_sites_go_on_under_another_name() -> None:
    """Also where a new site comes in and an old one is given up."""
    found = renamings(stays(*everywhere("Coast", 2015, 2019), *everywhere("West", 2020, 2024),
                            ("new", "West", 2022, 2024), ("given up", "Coast", 2015, 2017)))  # fmt: skip

    assert [(one.old, one.new, str(one.since), one.sites) for one in found] == [("Coast", "West", "2020-06-01", 4)]
    assert str(found[0]) == "Coast is called West since 2020-06-01, at 4 sites: told as West."


def test_a_second_new_name_is_the_one_that_counts() -> None:
    """Two renamings one after the other."""
    found = renamings(stays(*everywhere("A", 2012, 2014), *everywhere("B", 2015, 2018), *everywhere("C", 2019, 2024)))

    assert last_names(found) == {"A": "C", "B": "C"}


@pytest.mark.parametrize(
    "others",
    [
        [("S9", "Coast", 2015, 2024)],  # the old name is still in use
        [(f"T{number}", "West", 2015, 2024) for number in range(2)],  # the other region was there before
        [(f"T{number}", "Inland", 2020, 2024) for number in range(4)]
        + [(f"T{number}", "Coast", 2015, 2019) for number in range(4)],  # divided between two
    ],
)
def test_sites_that_move_rename_nothing(others: list[tuple[str, str, int, int]]) -> None:
    """Four sites of a region are found in another one, and yet it is not the same region."""
    assert renamings(stays(*everywhere("Coast", 2015, 2019), *everywhere("West", 2020, 2024), *others)) == []


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Take in ten years of three sites, five under each name of their region."""
    tmp_path = tmp_path_factory.mktemp("renamed")
    lines = ["Site;Region;Date;Stage;Chloride (mg/L)"]
    for year in range(2015, 2025):
        for site in range(3):
            region = "Coast" if year < 2020 else "West"
            lines += [f"S{site};{region};{year}-{month:02d}-1{site};raw;{20 + 10 * site + year - 2015 + month / 30:.2f}"
                for month in (2, 5, 8, 11)]  # fmt: skip
    (tmp_path / "list.csv").write_text("\n".join(lines), "utf-8")
    CliRunner().invoke(main, ["intake", str(tmp_path / "list.csv"), "--out", str(tmp_path / "out")])
    return tmp_path / "out"


def test_trend_takes_both_names_for_one_region(out: Path) -> None:
    """One series of ten years, whichever name is asked for."""
    asked = ["trend", "--store", str(out / "kettlestone.duckdb"), "--let-in", "unjudged"]
    ask = lambda *more: CliRunner().invoke(main, [*asked, *more]).stdout  # noqa: E731
    [row] = json.loads(ask("--json"))

    assert (row["group"], row["samples"], row["sites"]) == ("West", 120, 3)
    assert row["slope_per_year"] == pytest.approx(1.0, abs=0.02)
    assert json.loads(ask("--json", "--region", "Coast")) == [row]
    assert "Coast is called West since 2020-02-10, at 3 sites" in ask("--region", "West")


@pytest.mark.parametrize("region", ["Coast", "West"])
def test_prepared_questions_and_exports_take_both_names_for_one_region(region: str, out: Path, tmp_path: Path) -> None:
    """60 samples under each name: prepared questions tell them under the last, SQL and export as written."""
    store = ["--store", str(out / "kettlestone.duckdb")]
    ask = lambda *more: json.loads(CliRunner().invoke(main, ["query", *more, *store, "--format", "json"]).stdout)  # noqa: E731
    CliRunner().invoke(main, ["export", "--region", region, "--out", str(tmp_path), *store])
    written = pd.read_csv(tmp_path / "samples.csv")

    assert [(row["region"], row["samples"]) for row in ask("chloride-by-region", "--region", region)] == [("West", 120)]
    counted = ask("SELECT region, count(*) AS n FROM v_sample GROUP BY region ORDER BY region", "--region", region)
    assert [(row["region"], row["n"]) for row in counted] == [("Coast", 60), ("West", 60)]
    assert written["region"].value_counts().to_dict() == {"Coast": 60, "West": 60}
