"""Pictures: places worked out by hand from the published constructions, and pages through the front door."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.report.pictures.history import history_svg
from pipeline.report.pictures.ions import ION_NAMES, ion_groups, ion_shares
from pipeline.report.pictures.pattern import pattern_corners
from pipeline.report.pictures.semi_log import semi_log_height
from pipeline.report.pictures.site_map import hull, value_classes
from pipeline.report.pictures.trilinear import trilinear_places

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

# mg/L; in meq/L by the molar masses: Ca 3.9922, Mg 0.9875, Na 0.8700, K 0.0512; HCO3 4.0972, SO4 0.8328, Cl 1.0154,
# NO3 0.1613.
WATER = {"calcium_mg_l": 80.0, "magnesium_mg_l": 12.0, "sodium_mg_l": 20.0, "potassium_mg_l": 2.0,
         "bicarbonate_mg_l": 250.0, "sulfate_mg_l": 40.0, "chloride_mg_l": 36.0, "nitrate_mg_l": 10.0}  # fmt: skip
KINDS = ("trilinear", "pattern", "semi-log", "density", "map", "history", "control")


@pytest.mark.source("PIPER1944")
def test_a_water_stands_in_the_three_fields_where_its_shares_put_it() -> None:
    """Cations 67.66, 16.73, 15.61 %; anions 67.09, 13.64, 19.27 %.

    Cations: x 0.1561 + 0.1673 / 2, y 0.1673 √3/2; anions alike, 1.28 sides to the right. The field between shows the
    share of Na + K (0.1561) and of SO4 + Cl (0.3291) along its sides, from its left corner at (0.64, 0.64 √3).
    """
    shares = ion_shares(ion_groups(pd.DataFrame([WATER])))
    place = trilinear_places(shares).loc[0]

    assert shares.loc[0].tolist() == pytest.approx([67.656, 16.734, 15.610, 67.094, 13.637, 19.269], abs=5e-3)
    assert (place["cation_x"], place["cation_y"]) == pytest.approx((0.2398, 0.1449), abs=5e-5)
    assert (place["anion_x"], place["anion_y"]) == pytest.approx((1.5409, 0.1181), abs=5e-5)
    along, across = 0.32906, 0.15610
    assert place["field_x"] == pytest.approx(0.64 + (along + across) / 2, abs=5e-5)
    assert place["field_y"] == pytest.approx((0.64 * 2 + along - across) * np.sqrt(3) / 2, abs=5e-5)


@pytest.mark.source("PIPER1944")
def test_waters_of_one_salt_stand_in_the_corners_of_the_field() -> None:
    """Calcium bicarbonate left, calcium chloride on top, sodium chloride right, sodium bicarbonate below."""
    salts = [[100.0, 0, 0, 100, 0, 0], [100.0, 0, 0, 0, 0, 100], [0.0, 0, 100, 0, 0, 100], [0.0, 0, 100, 100, 0, 0]]
    pure = pd.DataFrame(salts, columns=list(ION_NAMES))
    places = trilinear_places(pure)
    up = np.sqrt(3) / 2

    assert places["field_x"].tolist() == pytest.approx([0.64, 1.14, 1.64, 1.14])
    assert places["field_y"].tolist() == pytest.approx([1.28 * up, 2.28 * up, 1.28 * up, 0.28 * up])


@pytest.mark.source("STIFF1951")
def test_the_outline_of_a_water_goes_round_its_six_ions() -> None:
    """Na + K and Cl + NO3 on top, Ca and the carbonates, Mg and SO4 below; cations to the left; the scale ends at 5."""
    [corners] = pattern_corners(ion_groups(pd.DataFrame([WATER])), 5.0)

    assert [row for _, row in corners] == [0, 0, 1, 2, 2, 1]
    assert [5 * x for x, _ in corners] == pytest.approx([-0.9211, 1.1767, 4.0972, 0.8328, -0.9875, -3.9922], abs=5e-5)


@pytest.mark.source("SCHOELLER1935")
def test_a_diluted_water_runs_parallel_on_the_logarithmic_scale() -> None:
    """One meq/L stands half-way between 0.01 and 100; of half the strength every ion stands log 2 / 4 lower."""
    ends = (0.01, 100.0)

    assert semi_log_height(1.0, ends) == pytest.approx(0.5)
    for meq in (0.05, 0.9, 4.1):
        assert semi_log_height(meq, ends) - semi_log_height(meq / 2, ends) == pytest.approx(np.log10(2) / 4)


def test_a_water_that_lacks_an_ion_is_not_complete() -> None:
    assert ion_groups(pd.DataFrame([WATER | {"sulfate_mg_l": np.nan}])).empty


def test_the_outline_of_a_region_leaves_sites_within_it_out() -> None:
    square = np.array([[0, 0], [4, 0], [4, 3], [0, 3], [1, 1], [2, 2.5]], dtype=float)

    assert {tuple(corner) for corner in hull(square).tolist()} == {(0, 0), (4, 0), (4, 3), (0, 3)}


def test_classes_of_a_map_hold_equally_many_sites() -> None:
    counts = np.bincount(np.searchsorted(value_classes(np.arange(1.0, 101.0)), np.arange(1.0, 101.0)))

    assert counts.tolist() == [20] * 5
    assert value_classes(np.array([7.0, 7.0, 7.0])).tolist() == [7.0]


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Result]:
    """Give the command on a store of a laboratory's list, a register with coordinates and standards of a meter."""
    folder = tmp_path_factory.mktemp("pictures")
    head = ("Sample,Client,Site,Region,Stage,Date,Total hardness (mg/L as CaCO3),Alkalinity (mg/L as CaCO3),"
            "Conductivity (µS/cm),Calcium (mg/L),Magnesium (mg/L),Sodium (mg/L),Potassium (mg/L),Sulfate (mg/L),"
            "Chloride (mg/L),Nitrate (mg/L as NO3)")  # fmt: skip
    rows = [
        f"A{n},<Café & Co>,S{n % 4},{'North' if n % 4 < 3 else 'South'},raw,20{20 + n // 4}-05-0{n % 9 + 1},"
        f"{249.2 + n},{205 + n},540,{80 + 0.4 * n:.1f},12,20,2,40,36,10"
        for n in range(16)
    ]
    (folder / "laboratory.csv").write_text("\n".join([head, *rows]) + "\n", "utf-8")
    sites = [
        f"<Café & Co>,S{n},{'North' if n < 3 else 'South'},{50 + 0.2 * n:.2f},{8.5 + 0.3 * (n % 2):.2f}"
        for n in range(4)
    ]
    (folder / "sites.csv").write_text("\n".join(["client,site,region,latitude,longitude", *sites]) + "\n", "utf-8")
    standards = [f"2025-03-{day:02},KCl 1413,standard,M1,{1413 + day % 5}" for day in range(1, 25)]
    (folder / "bench.csv").write_text(
        "\n".join(["Date,Sample,Sample type,Instrument,Conductivity (µS/cm)", *standards]) + "\n"
    )
    done = CliRunner().invoke(main, ["intake", str(folder), "--out", str(folder / "out")])
    assert done.exit_code in (0, 1), done.output
    store = str(folder / "out" / "kettlestone.duckdb")
    return lambda *words: CliRunner().invoke(main, ["picture", *words, "--store", store])


@pytest.mark.parametrize("kind", KINDS)
def test_every_picture_is_a_page_without_scripts_that_holds_its_numbers(
    picture: Callable[..., Result], tmp_path: Path, kind: str
) -> None:
    page = tmp_path / f"{kind}.html"
    done = picture(kind, "--site", "S1", "--out", str(page)) if kind == "history" else picture(kind, "--out", str(page))

    text = page.read_text("utf-8")
    assert done.stdout == f"Page to read, print or send: {page}\n"
    assert "<script" not in text
    assert "<Café" not in text
    assert not re.search(r'(src|href)="', text)
    for drawn in re.findall(r"<svg.*?</svg>", text, re.DOTALL):
        assert ET.fromstring(drawn).find("desc") is not None  # noqa: S314 - our own drawing
    assert "<svg" in text
    assert text.count("<tr>") > 1


def test_the_drawing_alone_and_its_numbers_alone(picture: Callable[..., Result], tmp_path: Path) -> None:
    """Sites of the north lie on the map with their medians: 249.2 + n of the visits n, n + 4, n + 8, n + 12."""
    drawing, numbers = tmp_path / "map.svg", tmp_path / "map.csv"
    picture("map", "--region", "North", "--out", str(drawing))
    picture("map", "--region", "North", "--format", "csv", "--out", str(numbers))

    assert ET.fromstring(drawing.read_text("utf-8")).tag == "{http://www.w3.org/2000/svg}svg"  # noqa: S314 - our own
    found = pd.read_csv(numbers)
    assert found["site"].tolist() == ["S0", "S1", "S2"]
    assert found["value"].tolist() == pytest.approx([255.2, 256.2, 257.2])
    assert found["latitude"].tolist() == [50.0, 50.2, 50.4]


def test_where_there_is_nothing_to_draw_the_answer_says_why(picture: Callable[..., Result]) -> None:
    for words, why in (
        (("trilinear", "--region", "West"), "No complete analysis fits"),
        (("map", "--region", "West"), "columns `latitude` and `longitude`"),
        (("history",), "--site SITE"),
        (("history", "--site", "S9"), "No sample of S9"),
    ):
        done = picture(*words)
        assert (done.exit_code, why in done.stdout) == (2, True), done.stdout


def test_a_history_shows_what_changed_and_what_was_fitted() -> None:
    readings = pd.DataFrame({"year": [2020.1, 2021.5], "value": [100.0, 140.0], "stage": ["raw", "treated"],
                             "verdict": ["ok", "hold"], "title": ["one", "two"], "panel": "Hardness"})  # fmt: skip
    changes = pd.DataFrame({"earliest": [2020.4], "latest": [2020.9], "panel": ["Hardness"], "word": ["source"]})
    fitted = pd.DataFrame({"year": [2021.0], "word": ["softener"]})

    drawn = ET.fromstring(history_svg(readings, changes, fitted, "S1"))  # noqa: S314 - our own drawing
    words = [text.text for text in drawn.iter("text")]

    assert {"source", "softener", "Hardness"} <= set(words)
    assert len(list(drawn.iter("rect"))) == 1
