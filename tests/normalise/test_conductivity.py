"""Conductivities to 25 °C against the table of the standard; never twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.readings import Normalised

    Read = Callable[..., Normalised]


def at(read_table: Read, conductivity: str, temperature: str = "", **row: str) -> dict[str, object]:
    cells = [("conductivity", conductivity, "µS/cm")]
    cells += [("temperature", temperature, "°C")] if temperature else []
    found = read_table(*cells, rows=[row]).readings
    return dict(found.iloc[0])


@pytest.mark.source("ISO7888")
@pytest.mark.parametrize(
    ("shown", "temperature", "stated", "expected"),
    [
        ("421.5", "10", "none", 601.9),
        ("421.5", "10", "no, 1.91 %", 590.8),
        ("421.5", "10", "none, 2 %/K", 602.1),
        ("500", "12.5", "keine", 668.5),
        ("474", "10", "off", 676.9),
    ],
)
def test_a_reading_without_compensation_is_brought_to_25_degrees(
    read_table: Read, shown: str, temperature: str, stated: str, expected: float
) -> None:
    """Table of the standard: f(10) = 1.428, f(12.5) = 1.337; linear: 1/(1 + a(T − 25))."""
    found = at(read_table, shown, temperature, temperature_compensation=stated)

    assert found["value"] == pytest.approx(expected, abs=0.1)
    assert "to 25 °C by" in str(found["note"])


@pytest.mark.source("ISO7888")
def test_a_value_at_20_degrees_is_a_tenth_more_at_25(read_table: Read) -> None:
    found = at(read_table, "2500", "10", ec_reference="20 °C", temperature_compensation="none")

    assert found["value"] == pytest.approx(2790, abs=0.5)


@pytest.mark.source("ISO7888")
def test_the_unit_may_name_the_temperature(read_table: Read) -> None:
    found = read_table(("conductivity", "100", "µS/cm @20C")).readings.iloc[0]

    assert found["value"] == pytest.approx(111.6)


@pytest.mark.parametrize("stated", ["", "yes", "ATC", "2 %", "nLF", "ISO 7888", "Ja", "linear 2 %"])
def test_what_a_meter_has_compensated_is_not_compensated_again(read_table: Read, stated: str) -> None:
    found = at(read_table, "421.5", "10", temperature_compensation=stated, ec_reference="25 °C")

    assert (found["value"], found["note"], found["ambiguous"]) == (421.5, "", "")


@pytest.mark.parametrize(
    ("temperature", "row", "reason"),
    [
        ("", {"temperature_compensation": "none"}, "no water temperature"),
        ("80", {"temperature_compensation": "none"}, "no water temperature"),
        ("10", {"temperature_compensation": "perhaps"}, "unknown words"),
        ("10", {"ec_reference": "18 °C"}, "neither 20 nor 25"),
    ],
)
def test_what_cannot_be_brought_to_25_degrees_stays_and_is_doubtful(
    read_table: Read, temperature: str, row: dict[str, str], reason: str
) -> None:
    found = at(read_table, "421.5", temperature, **row)

    assert found["value"] == 421.5
    assert reason in str(found["ambiguous"])


def test_each_row_has_its_own_compensation(read_table: Read) -> None:
    cells = [
        {"analyte": name, "raw_text": text, "raw_unit": unit, "row": row}
        for row in range(3)
        for name, text, unit in (("conductivity", "421.5", "µS/cm"), ("temperature", "10", "°C"))
    ]
    stated = [{"temperature_compensation": text} for text in ("none, 1.91 %", "none", "yes")]

    found = read_table(*cells, rows=stated).readings

    assert found.loc[found["analyte"] == "conductivity", "value"].tolist() == pytest.approx(
        [590.8, 601.9, 421.5], abs=0.1
    )


def test_a_limit_is_compensated_with_its_sign(read_table: Read) -> None:
    found = read_table(("conductivity", "<10", "µS/cm at 20 °C")).readings.iloc[0]

    assert found["limit"] == pytest.approx(11.16)


@pytest.mark.parametrize(
    ("stated", "basis"),
    [
        ("NaCl", "NaCl scale"),
        ("0.5", "NaCl scale"),
        ("442", "natural-water scale"),
        ("dried at 180 °C", "dried at 180 °C"),
        ("", ""),
    ],
)
def test_dissolved_solids_keep_the_scale_they_stand_on(read_table: Read, stated: str, basis: str) -> None:
    found = read_table(("tds", "338", "ppm"), rows=[{"tds_scale": stated}]).readings.iloc[0]

    assert (found["value"], found["basis"]) == (338.0, basis)
