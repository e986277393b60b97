"""The readings of a record as arrays: the number as it was written, with its unit or without."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from pipeline.explain.record import ROW, record_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.sample_table import SampleTable


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("14,5", 14.5),
        ("14,5 °dH", 14.5),
        ("14.5°dH", 14.5),
        ("2.59 mmol/L as CaCO3", 2.59),
        ("12 bis 18 °dH", None),
        ("12–18 °dH", None),
        ("14 ± 1 °dH", None),
        ("<5 °dH", None),
    ],
)
def test_a_number_is_known_as_it_was_written_where_its_unit_stands_in_the_cell(
    counted: Callable[..., SampleTable], cell: str, number: float | None
) -> None:
    """A mistake with the unit or the digits is one of that number; of a range or a bound there is no one number."""
    reading = {"sample_id": "A", "analyte": "total_hardness", "value": 258.8, "raw_text": cell, "method": "laboratory"}

    record = record_of(counted([reading], pd.DataFrame(index=pd.Index(["A"], name="sample_id"))))

    row = ROW["total_hardness"]
    assert record.unit_known[row, 0] == (number is not None)
    assert record.written[row, 0] == pytest.approx(number if number is not None else 258.8)
