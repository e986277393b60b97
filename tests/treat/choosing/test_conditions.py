"""The tables of advice: what a row may ask of a water, and what is said of one that cannot be read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.treat.choosing import decision
from pipeline.treat.choosing.choose import choose
from pipeline.treat.choosing.conditions import conditions_of
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import pandas as pd

    from pipeline.treat.choosing.case import Case


@pytest.fixture
def first_row(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """Put a row of one's own before the decision table."""

    def write(**changes: Any) -> None:  # noqa: ANN401 - cells
        own = {"row": "0x", "condition": "", "treatment": "reverse osmosis", "reason": "choose.row.4", "source": "CP"}

        def changed(name: str) -> pd.DataFrame:
            rows = table(name)
            if name != "decision_rows":
                return rows
            rows.loc[-1] = own | changes
            return rows.sort_index()

        monkeypatch.setattr(decision, "table", changed)
        decision.decision_rows.cache_clear()

    yield write
    monkeypatch.undo()
    decision.decision_rows.cache_clear()


WATER = {"th": 249.9, "alk": 196.3, "ec": 533.0, "ph": 7.4, "drain": True, "litres_per_day": 38.0}


@pytest.fixture(scope="module")
def usual_row(case: Callable[..., Case]) -> str:
    """Give the row that holds for a usual water."""
    return choose(case(**WATER)).row


@pytest.mark.parametrize("name", sorted(set(ANALYTES) - {"total_hardness"}))
def test_a_row_may_compare_any_quantity_that_can_be_read(
    name: str, usual_row: str, first_row: Callable[..., None], case: Callable[..., Case]
) -> None:
    """A usual water has less than the limit of all of them, or did not have them read: the row changes nothing."""
    first_row(condition=f"{name} > 9000")

    assert choose(case(**WATER)).row == usual_row


def test_a_row_on_silica_decides_and_is_a_condition_within_its_uncertainty(
    first_row: Callable[..., None], case: Callable[..., Case]
) -> None:
    """30 mg/L is above 25; 24 ± 3 may be above it."""
    first_row(condition="silica > 25 or alkalinity > alkalinity_high and silica > 25")

    above = choose(case(**WATER, sio2=30.0))
    near = choose(case(**WATER, sio2=24.0, u={"sio2": 3.0}))

    assert (above.row, above.treatment) == ("0x", "reverse osmosis")
    assert near.row != "0x"
    assert any("silica" in str(said) for said in near.conditions)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"condition": "silicate > 25"}, r'row 0x: the condition "silicate > 25" names "silicate".*silica'),
        ({"condition": "silica > much"}, 'names "much"'),
        ({"condition": "silica >25"}, "with blanks between"),
        ({"condition": "silica => 25"}, "one of < <= > >= ="),
        ({"condition": "silica > 25", "treatment": "magic"}, '"magic" is no treatment'),
        ({"condition": "silica > 25", "also": "none; magic"}, '"magic" is no treatment'),
        ({"condition": "silica > 25", "reason": "choose.row.silica"}, "no sentence has the code"),
    ],
)
def test_a_row_that_cannot_be_read_is_named_when_the_table_is_loaded(
    first_row: Callable[..., None], changes: dict[str, str], said: str
) -> None:
    first_row(**changes)

    with pytest.raises(KettlestoneError, match=f"(?s){said}"):
        decision.decision_rows()


def test_a_limit_may_be_another_quantity_but_not_nothing() -> None:
    assert conditions_of("ph < low", ["ph", "low"], "t")[0][0].limit == "low"
    with pytest.raises(KettlestoneError):
        conditions_of("ph < nan", ["ph"], "t")
