"""Trends are the same in whatever order and portions the files came, of the same samples."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from pathlib import Path


def _sheets() -> list[pd.DataFrame]:
    """Give two sheets of eight years: two waters, one of which changes its source, a meter that reads 8 % high."""
    draw = np.random.default_rng(23)
    rows = []
    for site in range(4):
        for visit in range(24):
            year = 2016 + visit // 3
            hard = (120 + 20 * site) * (1.4 if site < 2 and year >= 2020 else 1.0) * draw.normal(1, 0.01)
            rows.append({
                "Sample": f"S{site}-{visit}", "Client": "Trial", "Site": f"Site {site}",
                "Region": "North" if site < 2 else "South", "Utility": "Hill" if site < 2 else "Lake", "Stage": "raw",
                "Instrument": "EC-1" if visit % 2 else "EC-2", "Date": f"{year}-{1 + 4 * (visit % 3):02}-{1 + site:02}",
                "Total hardness (mg/L as CaCO3)": round(hard, 1), "Alkalinity (mg/L as CaCO3)": round(0.8 * hard, 1),
                "Conductivity (µS/cm)": round(2.1 * hard * (1.0 if visit % 2 else 1.08)),
            })  # fmt: skip
    whole = pd.DataFrame(rows)
    return [whole.iloc[start::2] for start in range(2)]


def _answers(folder: Path, portions: list[list[pd.DataFrame]]) -> dict[str, Any]:
    """Take portions in, one after the other, and ask."""
    store = str(folder / "out" / "kettlestone.duckdb")
    for number, portion in enumerate(portions):
        files = folder / str(number)
        files.mkdir(parents=True)
        for place, sheet in enumerate(portion):
            sheet.to_csv(files / f"sheet_{place}.csv", index=False)
        done = CliRunner().invoke(main, ["intake", str(files), "--out", str(folder / "out")])
        assert done.exit_code in (0, 1), done.output
    asked = {by: ("trend", "--by", by, "--let-in", "hold", "--json") for by in ("region", "site", "instrument")}
    return {
        name: json.loads(CliRunner().invoke(main, [*words, "--store", store]).stdout) for name, words in asked.items()
    }


@pytest.mark.slow
def test_order_and_portion_of_intake_change_no_answer(tmp_path: Path) -> None:
    sheets = _sheets()
    shuffled = [sheet.sample(frac=1, random_state=5) for sheet in sheets[::-1]]

    whole = _answers(tmp_path / "whole", [[pd.concat(sheets)]])
    parts = _answers(tmp_path / "parts", [[sheet] for sheet in shuffled])

    for name, expected in whole.items():
        assert len(expected) == len(parts[name]), name
        for one, other in zip(expected, parts[name], strict=True):
            assert one.keys() == other.keys()
            for key in one:
                assert _rounded(other[key]) == _rounded(one[key]), (name, key)
    assert len(whole["region"]) == 6


def _rounded(value: Any) -> Any:  # noqa: ANN401 - what stands in JSON
    """Give a number to six digits, in lists and records as well: sums in another order differ in the last ones."""
    if isinstance(value, float):
        return pytest.approx(value, rel=1e-6, abs=1e-9)
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    return {key: _rounded(one) for key, one in value.items()} if isinstance(value, dict) else value
