"""Builders of small sample tables: laboratory rows, and kit records with their drop counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.explain.rank import Weighed, explain
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import samples_from_wide, widen
from pipeline.normalise.titration import value_of_drops

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.explain.tables import Explained
    from pipeline.normalise.sample_table import SampleTable

SHORT = {
    "th": "total_hardness_mg_l_caco3",
    "alk": "alkalinity_mg_l_caco3",
    "ec": "conductivity_us_cm_25c",
    "tds": "tds_mg_l",
    "ph": "ph",
    "temperature": "temperature_c",
    "ca": "calcium_mg_l",
    "mg": "magnesium_mg_l",
    "na": "sodium_mg_l",
    "k": "potassium_mg_l",
    "hco3": "bicarbonate_mg_l",
    "cl": "chloride_mg_l",
    "so4": "sulfate_mg_l",
    "no3": "nitrate_mg_l",
}
# Expanded uncertainty (k = 2), relative: laboratory 5 %, alkalinity 6 %, conductivity 3 %, kit titrations 12 % [CP].
RELATIVE = {"ec": 0.03, "hco3": 0.06, "alk": 0.06, "th": 0.12, "ph": 0.02, "temperature": 0.05}
NO_FINDINGS = pd.DataFrame({"check_id": pd.Series(dtype="str"), "sample_id": pd.Series(dtype="str")})


def build(**columns: object) -> SampleTable:
    """Build a filled table from one value or a list per column; quantities by their short names."""
    size = max((len(value) for value in columns.values() if isinstance(value, list)), default=1)
    lists = {name: value if isinstance(value, list) else [value] * size for name, value in columns.items()}
    wide = pd.DataFrame({SHORT.get(name, name): values for name, values in lists.items()})
    for name in lists:
        if name in SHORT:
            wide[f"{SHORT[name]}.u"] = RELATIVE.get(name, 0.05) * wide[SHORT[name]]
    return with_derived(samples_from_wide(wide))


def build_counts(counts: list[dict[str, float | str]], about: pd.DataFrame) -> SampleTable:
    """Build a table of kit readings: `sample_id analyte`, and `drops degree nominal used` or `value method form`."""
    rows = []
    for line, count in enumerate(counts):
        row: dict[str, object] = {"line": 1, "form": "value", "raw_text": "", "method": "meter", **count}
        row.setdefault("uncertainty", 0.046 * float(count.get("value", 0.0)))
        if "drops" in count:
            known = value_of_drops(
                *(pd.Series([float(count[name])]).to_numpy() for name in ("drops", "degree", "nominal", "used"))
            ).iloc[0]
            row |= {"method": "drops", "form": "drops", "raw_text": f"{count['drops']:.0f}"}
            row |= {name: known[name] for name in ("value", "value_low", "value_high", "uncertainty")}
            row |= {"degree_per_drop": count["degree"], "nominal_ml": count["nominal"], "used_ml": count["used"]}
        row.setdefault("value_low", float(str(row["value"])) - float(str(row["uncertainty"])))
        row.setdefault("value_high", float(str(row["value"])) + float(str(row["uncertainty"])))
        rows.append({"number": line, **row})
    return with_derived(widen(about, pd.DataFrame(rows)))


@pytest.fixture(scope="session")
def waters() -> Callable[..., SampleTable]:
    """Give the builder of wide tables."""
    return build


@pytest.fixture(scope="session")
def counted() -> Callable[..., SampleTable]:
    """Give the builder of kit records."""
    return build_counts


@pytest.fixture(scope="session")
def weighed() -> Callable[..., Weighed]:
    """Weigh a table without findings of checks."""

    def run(samples: SampleTable, findings: pd.DataFrame = NO_FINDINGS) -> Weighed:
        return explain(samples, findings, Limits())

    return run


@pytest.fixture(scope="session")
def explained(weighed: Callable[..., Weighed]) -> Callable[..., Explained]:
    """Explain a table without findings of checks."""

    def run(samples: SampleTable, findings: pd.DataFrame = NO_FINDINGS) -> Explained:
        return weighed(samples, findings).tables()

    return run
