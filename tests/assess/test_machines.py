"""Machines: temperatures from pressure, shares, words of the trade, profiles of one's own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from pipeline.assess.machines import known_machines, load_machines, recognise, steam_temperature_c
from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.source("WP1993")
@pytest.mark.parametrize(("gauge", "celsius"), [(0.8, 117.0), (1.0, 120.5), (1.2, 123.6), (1.5, 127.8)])
def test_steam_pressure_gives_the_boiling_line(gauge: float, celsius: float) -> None:
    """Handed-down figures of the trade for a gauge at sea level; they are rounded upwards by up to 0.2 K."""
    assert steam_temperature_c(np.array([gauge]))[0] == pytest.approx(celsius, abs=0.25)


@pytest.mark.source("WP1993")
def test_water_boils_at_100_degrees_without_overpressure() -> None:
    assert steam_temperature_c(np.array([0.0]))[0] == pytest.approx(100.0, abs=0.05)


def test_built_in_machines_are_whole() -> None:
    machines = known_machines()

    assert set(machines) == {
        "brewer", "single boiler", "heat exchanger", "dual boiler", "thermoblock", "bean-to-cup", "lever", "vending",
        "kettle", "combi steam", "not known",
    }  # fmt: skip
    for machine in machines.values():
        assert sum(part.share for part in machine.parts) == pytest.approx(1.0)
        assert all(90.0 <= part.temperature_c <= 130.0 for part in machine.parts)


@pytest.mark.common_practice
def test_a_steam_boiler_concentrates_until_it_is_drained() -> None:
    """5 L losing 0.9 L a day: 1 + 0.9·7/5 = 2.26 after a week."""
    assert known_machines()["heat exchanger"].concentration == pytest.approx(2.26)
    assert known_machines()["brewer"].concentration == 1.0


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("text", "machine", "connection"),
    [
        ("dual boiler", "dual boiler", "not known"),
        ("HX", "heat exchanger", "not known"),
        ("HX-Maschine, Festwasser", "heat exchanger", "plumbed"),
        ("doppia caldaia inox", "dual boiler", "not known"),
        ("Zweikreiser", "heat exchanger", "not known"),
        ("  Thermoblock ", "thermoblock", "not known"),
        ("HX machine with tank", "heat exchanger", "reservoir"),
        ("home machine with tank", "not known", "reservoir"),
        ("airpot brewer plumbed", "brewer", "plumbed"),
        ("HX / dual boiler", "not known", "not known"),
        ("bean-to-cup", "bean-to-cup", "not known"),
        ("Kaffeevollautomat mit Wassertank", "bean-to-cup", "reservoir"),
        ("broyeur à grains", "bean-to-cup", "not known"),
        ("macchina a leva, 2 gruppi", "lever", "not known"),
        ("distributore automatico", "vending", "not known"),
        ("Kombidämpfer", "combi steam", "not known"),
        ("hervidor", "kettle", "not known"),
        ("espresso, two boilers", "dual boiler", "not known"),
        ("全自動コーヒーマシン", "bean-to-cup", "not known"),
        ("espresso thing", "not known", "not known"),
        ("hxx", "not known", "not known"),
        ("", "not known", "not known"),
    ],
)
def test_words_are_looked_up_exactly(text: str, machine: str, connection: str) -> None:
    found = recognise(pd.Series([text], dtype="str"), known_machines())

    assert found.iloc[0].tolist() == [machine, connection]


def test_own_machines(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text(
        '[machines.bar]\nbase = "dual boiler"\nlitres_per_day = 90\nmetals = ["copper"]\nlevel_probe = false\n'
        'parts = [{place = "brew", temperature_c = 94, share = 0.8}, '
        '{place = "steam", steam_bar_g = 1.2, share = 0.2}]\n',
        encoding="utf-8",
    )

    bar = load_machines(path)["bar"]

    assert (bar.name, bar.litres_per_day, bar.metals, bar.level_probe) == ("bar", 90.0, ("copper",), False)
    assert bar.parts[1].temperature_c == pytest.approx(123.6, abs=0.25)
    assert bar.boiler_litres == 5.0  # of its base
    assert recognise(pd.Series(["Bar"]), {"bar": bar})["machine"].item() == "bar"


PART = '{place = "a", temperature_c = 95, share = 1.0}'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[machines.a]\ntitle = 'x'", "base must be one of"),
        ('[machines.a]\nbase = "brewer"\nlitre = 3', 'no "litre"'),
        ('[machines.a]\nbase = "brewer"\nlitres_per_day = -1', "not a number"),
        ('[machines.a]\nbase = "brewer"\nmetals = ["tin"]', "metals are"),
        ('[machines.a]\nbase = "brewer"\nconnection = "hose"', "connection is one of"),
        ('[machines.a]\nbase = "brewer"\nlevel_probe = "yes"', "true or false"),
        ('[machines.a]\nbase = "brewer"\nparts = []', "parts is a list"),
        (f'[machines.a]\nbase = "brewer"\nparts = [{PART}, {PART}]', "do not add up"),
        ('[machines.a]\nbase = "brewer"\nparts = [{place = "a", share = 1}]', "each part has"),
        ('[machines.a]\nbase = "brewer"\nparts = [{place = "a", temperature_c = 400, share = 1}]', "not a number"),
        (
            f'[machines.a]\nbase = "brewer"\nparts = [{PART.replace("1.0", "0.5")}, {PART.replace("1.0", "0.5")}]',
            "same place",
        ),
    ],
)
def test_a_faulty_machine_is_refused_by_name(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "m.toml"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(KettlestoneError, match=words):
        load_machines(path)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("text", "machine", "connection"),
    [
        ("Zweikreiser mit Wassertank", "heat exchanger", "reservoir"),
        ("machine avec échangeur inox", "heat exchanger", "not known"),
        ("plumbed airpot brewer", "brewer", "plumbed"),
        ("dual boiler with filter", "dual boiler", "not known"),
        ("heat exchanger or dual boiler", "not known", "not known"),
        ("Einkreiser, nicht Festwasser", "single boiler", "not known"),
        ("water filter", "not known", "not known"),
    ],
)
def test_a_name_inside_a_longer_text_is_found(text: str, machine: str, connection: str) -> None:
    """A short word inside a text, a contradiction or a "not" names nothing."""
    found = recognise(pd.Series([text]), known_machines()).iloc[0]

    assert (found["machine"], found["connection"]) == (machine, connection)
