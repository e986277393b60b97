"""Fixtures of the advice tests: cases from a few short names."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.assess.machines import known_machines
from pipeline.assess.profiles import published
from pipeline.treat.choosing.case import Case

if TYPE_CHECKING:
    from collections.abc import Callable

SHORT = {
    "th": "total_hardness_mg_l_caco3",
    "alk": "alkalinity_mg_l_caco3",
    "ec": "conductivity_us_cm_25c",
    "tds": "tds_mg_l",
    "ph": "ph",
    "ca": "calcium_mg_l",
    "mg": "magnesium_mg_l",
    "na": "sodium_mg_l",
    "k": "potassium_mg_l",
    "hco3": "bicarbonate_mg_l",
    "cl": "chloride_mg_l",
    "so4": "sulfate_mg_l",
    "no3": "nitrate_mg_l",
    "sio2": "silica_mg_l",
    "fe": "iron_mg_l",
    "pb": "lead_mg_l",
    "cu": "copper_mg_l",
    "free": "free_chlorine_mg_l",
    "total": "total_chlorine_mg_l",
}


def series(**values: float) -> pd.Series[float]:
    return pd.Series({SHORT[name]: value for name, value in values.items()}, dtype="float64")


def build(
    machine: str = "heat exchanger",
    profile: str = "European water chart 2016",
    connection: str = "",
    holds: tuple[tuple[str, str], ...] = (),
    **given: object,
) -> Case:
    """Build a case; `u=`, `low=`, `high=` are mappings of short names, `holds` pairs of check and quantities."""
    water = {name: value for name, value in given.items() if name in SHORT}
    ends = {name: series(**given.pop(name)) for name in ("low", "high") if name in given}  # type: ignore[arg-type]
    known = known_machines()[machine]
    findings = pd.DataFrame(
        [(check, "hold", analyte) for check, analyte in holds], columns=["check_id", "severity", "analyte"]
    )
    return Case(
        raw=series(**water),  # type: ignore[arg-type]
        uncertainty=series(**given.get("u", {})),  # type: ignore[arg-type]
        verdict="hold" if holds else "ok",
        findings=findings,
        machine=replace(known, connection=connection or known.connection),
        profile=published()[profile],
        **ends,
        **{name: value for name, value in given.items() if name not in (*SHORT, "u")},  # type: ignore[arg-type]
    )


@pytest.fixture(scope="session")
def case() -> Callable[..., Case]:
    """Give the builder of cases."""
    return build


@pytest.fixture(scope="session")
def scenarios() -> dict[str, Case]:
    """Six waters of a consultant's week, as they stand once their records are settled."""
    return {
        "P1": build(th=249.9, alk=196.3, ec=533, ph=7.4, u={"th": 31, "alk": 25, "ec": 15}, litres_per_day=38.0,
                    treatment="decarboniser"),
        "P2": build("brewer", th=154.1, alk=110, ec=412, ph=7.9, free=0.8, u={"th": 20, "alk": 12}),
        "P3": build("dual boiler", th=320, alk=260, ec=680, ph=7.6, cl=41, u={"th": 15, "alk": 12, "cl": 4},
                    litres_per_day=90.0, drain=True),
        "P4": build(th=math.nan, alk=267.7, ec=660, ph=7.6, low={"th": 0}, high={"th": 17.8}, u={"alk": 34},
                    supply="softened", connection="reservoir"),
        "P5": build(th=314.7, alk=260, ca=98, mg=17, na=21, k=3, cl=38, so4=55, no3=14, ec=677, ph=7.3,
                    u={"th": 9, "alk": 8, "cl": 2, "na": 1}, litres_per_day=70.0, drain=False),
        "P6": build("single boiler", th=22.3, alk=22.3, ec=76, ph=6.7, u={"th": 3.7, "alk": 3.7, "ec": 4},
                    litres_per_day=6.0),
    }  # fmt: skip
