"""A small table as the reading of files hands it over: text, nothing understood yet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

from pipeline.ingest.extract import Extract
from pipeline.normalise.readings import Normalised, NormaliseSettings, normalise
from schemas.tables import ROW_FIELDS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_CATEGORIES = (
    "column",
    "analyte",
    "form",
    "raw_unit",
    "basis",
    "qualifier_text",
    "limit_text",
    "limit_unit",
    "method",
    "status",
)


def _extract(
    cells: Sequence[tuple[str, str, str] | dict[str, Any]],
    rows: Sequence[dict[str, str]] = ({},),
    **described: Any,  # noqa: ANN401 - whatever the extract may say of its file
) -> Extract:
    """Lay out cells, (analyte, text, unit) or a dict, in row 0 unless they name another."""
    usual = dict.fromkeys(_CATEGORIES, "") | {"form": "value", "method": "laboratory", "row": 0}
    named = [
        cell if isinstance(cell, dict) else dict(zip(("analyte", "raw_text", "raw_unit"), cell, strict=True))
        for cell in cells
    ]
    table = pd.DataFrame([{**usual, "column": cell["analyte"], "certain_number": False, **cell} for cell in named])
    table["line"] = table["row"] + 2
    types = {name: pd.CategoricalDtype(pd.Index(sorted(set(table[name])), dtype="str")) for name in _CATEGORIES}
    facts = pd.DataFrame([{name: row.get(name, "") for name in ROW_FIELDS} for row in rows], dtype="str")
    facts.insert(0, "line", pd.Series(range(2, len(rows) + 2), dtype="int32"))
    return Extract(
        rows=facts,
        cells=table.astype({**types, "row": "int32", "line": "int32", "raw_text": "str"}),
        set_aside=pd.DataFrame(),
        notices=pd.DataFrame(),
        entries=len(table),
        kind="measurements",
        layout="table of the test",
        **described,
    )


@pytest.fixture
def read_table() -> Callable[..., Normalised]:
    """Give a function from cells and rows to readings."""

    def read(*cells: object, zone: str = "UTC", **rest: Any) -> Normalised:  # noqa: ANN401 - see above
        return normalise([_extract(cells, **rest)], ["f" * 64], NormaliseSettings(time_zone=zone))  # type: ignore[arg-type]

    return read
