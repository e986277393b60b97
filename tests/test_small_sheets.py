"""Small sheets as people send them: who is held, and what a good technician would ask first."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.intake import run
from pipeline.settings import Settings

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.common_practice
SHEETS = {
    # 9 x 10 = 90 and 8 x 10 = 80, not 17.85 a drop; 12 x 17.85 = 214.2, two digits changed places
    "kit": """Sample,Site,Date,Drops TH,Degree per drop,Hardness (mg/L CaCO3),Drops ALK,\
Alkalinity (mg/L CaCO3),EC (µS/cm)
K1,Bar 1,2026-04-01,9,1 °dH,160.6,8,142.8,420
K2,Bar 2,2026-04-01,9,1 °dH,90,8,80,415
K3,Bar 3,2026-04-01,12,1 °dH,241.2,8,142.8,480
""",
    # 533 at 20 °C is 595 at 25 °C, what 5.9 meq/L carry; 4.24 mmol/L are 11.9 °dH
    "labor": """Probe;Ort;Calcium (mmol/L);Magnesium (mmol/L);Natrium (mg/L);Kalium (mg/L);\
Säurekapazität KS4,3 (mmol/L);Chlorid (mg/L);Sulfat (mg/L);Nitrat (mg/L);\
elektr. Leitfähigkeit bei 20 °C (µS/cm);pH;Gesamthärte (°dH)
L1;Ort A;2,10;0,58;18;2,1;4,24;33;45;12;533;7,4;15,0
L2;Ort B;2,10;0,58;18;2,1;11,9;33;45;12;533;7,4;15,0
L3;Ort C;2,10;0,58;18;2,1;4,24;33;45;12;53,3;7,4;15,0
L4;Ort D;2,10;0,58;18;2,1;4,24;33;45;12;533;7,4;1,5
L5;Ort E;2,10;0,58;1,8;2,1;4,24;33;45;12;533;7,4;15,0
""",
    # rain without its ammonium; charges 9 % apart with several causes; softened without sodium; potassium over sodium
    "reports": """Sample,Site,Calcium (mg/L),Magnesium (mg/L),Sodium (mg/L),Potassium (mg/L),\
Alkalinity (mg/L as CaCO3),Chloride (mg/L),Sulfate (mg/L),\
Nitrate (mg/L as NO3),Conductivity (µS/cm),pH
R1,Roof,0.24,0.04,0.08,0.03,,0.11,1.35,1.42,13.3,6.6
R2,Well,138.5,67.1,97.6,37.1,473,106,81,36.7,1477,6.8
R3,Flat,1.2,0.3,,1.5,240,22,40,12,640,7.5
R4,Spring,80,12,2.5,30,205,36,40,10,600,7.4
""",
    # the display of the pen ends at 999: more than that
    "pen": """Sample,Site,Date,Instrument,EC (µS/cm),Total hardness (mg/L CaCO3)
M1,Bar 4,2026-03-01,pen 3,999,330
M2,Bar 5,2026-03-01,pen 3,410,190
""",
    "pairs": """Client,Sample,Site,Date,Stage,Treatment,Hardness (mg/L CaCO3),\
Alkalinity (mg/L CaCO3),Conductivity (µS/cm),pH
A,P1,Q1,2026-05-01,raw,,12,11,30,6.1
A,P2,Q1,2026-05-01,treated,reverse osmosis,255,205,570,7.4
B,P3,Q2,2026-05-01,raw,,250,200,560,7.4
B,P4,Q2,2026-05-01,treated,carbon,248,199,562,7.4
""",
}
HELD = {
    "K2": ("wrong-unit", "total_hardness", "a drop of °f, in both tests"),
    "K3": ("digits-transposed", "total_hardness", "digits 2 and 3"),
    "L2": ("wrong-unit", "alkalinity", "°dH"),
    "L3": ("wrong-unit", "conductivity", "mS/m"),
    "L4": ("factor-ten", "total_hardness", "× 10"),
    "L5": ("factor-ten", "sodium", "× 10"),
    "P1": ("swapped-samples", "", ""),
    "P2": ("swapped-samples", "", ""),
}


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """Take all sheets in at once; give verdict and first cause by label."""
    folder: Path = tmp_path_factory.mktemp("sheets")
    for name, text in SHEETS.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    out = folder / "out"
    finished = run(sorted(folder.glob("*.csv")), Settings(out=out, store=out / "kettlestone.duckdb"))
    samples = pd.read_csv(finished.folder / "samples.csv", dtype={"label": "str"}).set_index("label")
    causes = pd.read_csv(finished.folder / "explanations.csv", dtype="str", keep_default_na=False)
    first = causes[causes["rank"] == "1"].set_index("label")[["mistake", "analyte", "detail"]]
    return samples[["verdict"]].join(first)


@pytest.mark.parametrize(("label", "cause"), HELD.items())
def test_a_wrong_reading_is_held_with_its_cause(judged: pd.DataFrame, label: str, cause: tuple[str, str, str]) -> None:
    assert judged.loc[label, "verdict"] == "hold"
    assert tuple(judged.loc[label, ["mistake", "analyte", "detail"]]) == cause


def test_the_end_of_a_named_instruments_display_is_no_reading(judged: pd.DataFrame) -> None:
    assert judged.loc["M1", "verdict"] == "reject"


def test_nobody_else_is_held(judged: pd.DataFrame) -> None:
    """Sound rows beside the wrong ones, and waters that lack an ion or are off as published analyses are."""
    others = judged.drop(index=[*HELD, "M1"])["verdict"]

    assert others.isin(["ok", "note"]).all(), others
    assert (others[["R1", "R2", "R3", "R4"]] == "note").all()
