"""A repeated -9, -99, -999 is a gap where nothing can be below zero; then it is one in the whole table."""

from __future__ import annotations

import pytest

from pipeline.ingest.blocks import blocks_of, with_cover
from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.grid import Grid
from pipeline.ingest.heading_kinds import beside_results
from pipeline.ingest.layouts import load_layouts

LAYOUTS = load_layouts()


def table(code: str, times: int) -> Extract:
    rows = [f"S{n};{code if n < times else '7.1'};{code if n < times else '21'};{-8 if n else 4}" for n in range(5)]
    text = "\n".join(["Sample;pH;Chloride (mg/L);Temperature (°C)", *rows])
    [(grid, match)] = with_cover(blocks_of(Grid.from_rows([line.split(";") for line in text.splitlines()]), LAYOUTS))
    return extract(grid, match, "0" * 64)


@pytest.mark.common_practice
@pytest.mark.parametrize("code", ["-9", "-99", "-9.000", "-999", "-9999,0"])
def test_a_repeated_code_is_no_entry_and_said_so(code: str) -> None:
    found = table(code, times=2)

    assert sorted(found.cells["analyte"].value_counts().to_dict().items()) == [
        ("chloride", 3), ("ph", 3), ("temperature", 5)
    ]  # fmt: skip
    assert found.entries == 11
    told = found.notices[found.notices["problem"] == "missing-code"]
    assert (told["raw_text"].tolist(), told["detail"].tolist()) == ([code], ["4"])


def test_words_for_no_value_are_counted_as_such_and_told_once() -> None:
    found = table("#N/A", times=2)

    assert found.entries == 11
    (told,) = found.notices.loc[found.notices["problem"] == "missing-words", "detail"]
    assert told == 'counted as no value: "#N/A" 4 ×'


def test_one_negative_figure_is_a_slip_and_stays_an_entry() -> None:
    found = table("-9", times=1)

    assert found.entries == 15
    assert "missing-code" not in set(found.notices["problem"])


def test_the_limit_of_a_law_beside_results_is_no_result() -> None:
    assert beside_results("NR140 Preventive Action Limit")
    assert beside_results("Grenzwert TrinkwV 2023")
    assert not beside_results("Hardness lab 3")
