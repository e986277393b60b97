"""An unclear form is settled by the rest of the record, or asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from pipeline.normalise.sample_table import SampleTable

    Table = Callable[[str], SampleTable]
    Findings = Callable[..., pd.DataFrame]

HEAD = "sample_id,analyte,method,value,ambiguous\n"
# meq/L: 48/20.04 + 9/12.15 + 14/22.99 + 1.5/39.10 = 3.783; 21/35.45 + 28/48.03 + 6.2/62.00 = 1.275; the rest, 2.508, is
# 125.5 mg/L as CaCO3, and as HCO3 it would be 2.057: 451 µeq of 7.57 meq/L in all.
REST = {
    "calcium": 48.0, "magnesium": 9.0, "sodium": 14.0, "potassium": 1.5, "chloride": 21.0, "sulfate": 28.0,
    "nitrate": 6.2,
}  # fmt: skip


def record(alkalinity: float, rest: dict[str, float]) -> str:
    rows = [f"1,{name},laboratory,{value}," for name, value in rest.items()]
    return "\n".join([HEAD.strip(), f"1,alkalinity,laboratory,{alkalinity},the form is not said", *rows])


@pytest.mark.source("IUPAC2021")
def test_a_full_analysis_settles_the_form_of_its_alkalinity(table: Table, findings: Findings) -> None:
    found = findings("ambiguous-unit", table(record(125.5, REST)))

    assert found["severity"].tolist() == ["note"]
    assert "Ion balance 0.0 % as read, 6.3 % otherwise: the record settles it." in found["message"].item()


@pytest.mark.source("IUPAC2021")
@pytest.mark.parametrize(
    ("alkalinity", "rest"),
    [(125.5 * 1.2193, REST), (125.5, {}), (125.5, {name: REST[name] for name in ("calcium", "magnesium", "sodium")})],
)
def test_what_fits_the_other_form_or_has_nothing_beside_it_is_asked_for(
    table: Table, findings: Findings, alkalinity: float, rest: dict[str, float]
) -> None:
    found = findings("ambiguous-unit", table(record(alkalinity, rest)))

    assert found["severity"].tolist() == ["hold"]
    assert found["message"].item().endswith("Ask what the number counts.")


@pytest.mark.source("APHA2340B")
def test_hardness_settles_whether_calcium_is_the_ion(table: Table, findings: Findings) -> None:
    """2.497 · 80 + 4.118 · 12 = 249; with 80 mg/L as CaCO3 it would be 129."""
    rows = ["1,calcium,laboratory,80,bare", "1,magnesium,laboratory,12,", "1,total_hardness,laboratory,249,"]

    found = findings("ambiguous-unit", table(HEAD + "\n".join(rows)))

    assert found["severity"].tolist() == ["note"]
    assert "The rest of the record fits the number as read." in found["message"].item()
