"""Splitting text into cells: equal to the csv module, and harder to lead astray."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline.ingest import delimited
from pipeline.ingest.delimited import BLANKS, split

if TYPE_CHECKING:
    from pipeline.ingest.grid import Grid

EDGE = " \t\r\n\u00a0"
DELIMITERS = st.sampled_from([",", ";", "\t", "|"])
LINE_ENDS = st.sampled_from(["\n", "\r\n", "\r"])
CELLS = st.text(alphabet='aµ7.,;|\t"\n\r \u00a0€𝄞', max_size=6)


def rows_of(grid: Grid) -> list[list[str]]:
    return [grid.row(number) for number in range(len(grid))]


def by_csv_module(text: str, delimiter: str) -> list[list[str]]:
    """Read with the csv module of the standard library; it gives [] for a blank line, a grid [""]."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    return [[cell.strip(EDGE) for cell in row] or [""] for row in reader]


def shown_lines(text: str) -> int:
    """Count the line ends as a text editor does."""
    return len(text.replace("\r\n", "\n").replace("\r", "\n").split("\n")) - 1


@pytest.mark.source("RFC4180")
@pytest.mark.parametrize("block_bytes", [8, 4 << 20])
@given(
    rows=st.lists(st.lists(CELLS, min_size=1, max_size=5), max_size=6),
    delimiter=DELIMITERS,
    line_end=LINE_ENDS,
    quote_all=st.booleans(),
    final_line_end=st.booleans(),
)
@settings(max_examples=80)
def test_well_formed_text_is_read_as_the_csv_module_reads_it(
    rows: list[list[str]],
    delimiter: str,
    line_end: str,
    quote_all: bool,
    final_line_end: bool,
    block_bytes: int,
) -> None:
    """Quoted line ends, doubled quotes and every line end; also where blocks meet."""
    out = io.StringIO(newline="")
    quoting = csv.QUOTE_ALL if quote_all else csv.QUOTE_MINIMAL
    csv.writer(out, delimiter=delimiter, lineterminator=line_end, quoting=quoting).writerows(rows)
    text = out.getvalue() if final_line_end else out.getvalue().removesuffix(line_end)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delimited, "BLOCK_BYTES", block_bytes)
        grid = split(text.encode(), delimiter)

    assert rows_of(grid) == by_csv_module(text, delimiter)
    assert grid.notices.empty


@pytest.mark.parametrize("block_bytes", [4, 4 << 20])
@given(text=st.text(alphabet='ab,"\n \r', max_size=30))
@settings(max_examples=120)
def test_odd_quotes_are_read_as_the_csv_module_reads_them_unless_they_would_swallow_rows(
    text: str, block_bytes: int
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delimited, "BLOCK_BYTES", block_bytes)
        grid = split(text.encode(), ",")

    assume("quote-unclosed" not in set(grid.notices["problem"]))
    assert rows_of(grid) == by_csv_module(text, ",")


@given(
    rows=st.lists(st.lists(CELLS, min_size=1, max_size=3), min_size=1, max_size=6),
    line_end=LINE_ENDS,
)
def test_a_row_carries_the_line_an_editor_shows(rows: list[list[str]], line_end: str) -> None:
    """Line ends inside quoted cells count."""
    written = []
    for row in rows:
        out = io.StringIO(newline="")
        csv.writer(out, lineterminator=line_end, quoting=csv.QUOTE_ALL).writerow(row)
        written.append(out.getvalue())
    expected = [1 + shown_lines("".join(written[:number])) for number in range(len(rows))]

    assert split("".join(written).encode(), ",").line.tolist() == expected


def test_an_inch_mark_inside_a_cell_is_text() -> None:
    grid = split(b'site,note,ph\nBar,3/4" pipe,7.1\nCafe,1" valve,7.4\n', ",")

    assert rows_of(grid)[1:] == [["Bar", '3/4" pipe', "7.1"], ["Cafe", '1" valve', "7.4"]]
    assert grid.notices.empty


def test_an_unclosed_quote_does_not_swallow_the_file() -> None:
    """The bad row keeps its quote as text and is named; quoted cells elsewhere are read as ever."""
    text = 'site,note\n"Bar, left",ok\nCafe,"hot\n' + "Den,fine\n" * 70 + '"Inn\nannex",last\n'

    grid = split(text.encode(), ",")

    assert len(grid) == 74
    assert grid.row(1) == ["Bar, left", "ok"]
    assert grid.row(2) == ["Cafe", '"hot']
    assert grid.row(73) == ["Inn\nannex", "last"]
    assert grid.notices[["line", "problem", "raw_text"]].to_numpy().tolist() == [[3, "quote-unclosed", '"hot']]


def test_a_quote_open_at_the_end_of_the_file_means_the_file_is_cut_off() -> None:
    grid = split(b'site,note\nBar,"the end is miss', ",")

    assert grid.row(1) == ["Bar", '"the end is miss']
    assert grid.cut_off


def test_a_quote_that_closes_inside_a_later_text_is_taken_as_text() -> None:
    grid = split(b'site,note\nBar,"3/4 pipe\nCafe,"two" taps\nDen,none\n', ",")

    assert [row[0] for row in rows_of(grid)] == ["site", "Bar", "Cafe", "Den"]
    assert "quote-unclosed" in set(grid.notices["problem"])


def test_text_behind_a_closing_quote_is_noted() -> None:
    grid = split(b'site,note,ph\nBar,"3/4 pipe,1" valve,7.1\n', ",")

    assert grid.notices["problem"].tolist() == ["quote-inside-text"]
    assert grid.notices["line"].tolist() == [2]


def test_many_unclosed_quotes_cost_no_rows() -> None:
    """After twenty repairs every line of the block is read on its own."""
    text = "".join(f'{number},"pipe\n{number},"tap" old\n' for number in range(500))

    grid = split(text.encode(), ",")

    assert len(grid) == 1000
    assert grid.count.tolist() == [2] * 1000
    assert grid.notices["detail"].str.contains("goes on to a next line").any()


@pytest.mark.parametrize(
    ("text", "cut_off"),
    [
        ("a,b,c\n1,2,3\n1,2", True),
        ("a,b,c\n1,2,3\n1,2\n", False),
        ("a,b,c\n1,2,3\n1,2,3", False),
    ],
)
def test_a_short_last_row_without_line_end_is_cut_off(text: str, cut_off: bool) -> None:
    assert split(text.encode(), ",").cut_off is cut_off


def test_ragged_rows_and_blank_lines_stay_as_they_are() -> None:
    grid = split(b"a,b\n1\n\n1,2,3,4\n", ",")

    assert rows_of(grid) == [["a", "b"], ["1"], [""], ["1", "2", "3", "4"]]


def test_blanks_around_cells_are_taken_off() -> None:
    grid = split("id , ort\n     57020,\u00a0Zürich \t\n".encode(), ",")

    assert rows_of(grid) == [["id", "ort"], ["57020", "Zürich"]]


def test_two_or_more_blanks_separate_cells() -> None:
    grid = split(b'   site   ph\n"Bar  left"     7.1   \n  Old Inn  6.9\n', BLANKS)

    assert rows_of(grid) == [["site", "ph"], ["Bar  left", "7.1"], ["Old Inn", "6.9"]]


@pytest.mark.parametrize(
    ("text", "delimiter"),
    [
        ("site,ph\nBar,7.1\n", ","),
        ("ort;haerte;ph\nBar;7,2;7,1\nInn;8,0;6,9\n", ";"),
        ("Report of 3 March, draft\n\nsite\tph\tnote\nBar\t7.1\thot, old\nInn\t6.9\t\n", "\t"),
        ("site|ph\nBar|7\n", "|"),
        ("site     ph\nBar one  7.1\n", BLANKS),
        ("ph\n7.1\n", ","),
        ('note,ph\n"a;b;c",7\n"d;e;f",8\n', ","),
    ],
)
def test_the_proposed_delimiter_gives_the_most_even_rows(text: str, delimiter: str) -> None:
    assert split(text.encode()).delimiter == delimiter


def test_a_proposal_looks_at_the_beginning_of_a_large_file() -> None:
    """Also if the part looked at is one endless line."""
    assert split(b"ort;ph\n" + b"Bar;7,1\n" * 20_000).delimiter == ";"
    assert split(b"a;" * 50_000).delimiter == ";"


def test_a_very_long_cell_is_kept_and_noted() -> None:
    grid = split(b"site,note\nBar," + b"x" * 1_200_000 + b"\nInn,ok\n", ",")

    assert len(grid.row(1)[1]) == 1_200_000
    assert grid.notices[["line", "problem", "detail"]].to_numpy().tolist() == [[2, "cell-very-long", "1200000 bytes"]]


def test_no_text_gives_no_rows() -> None:
    assert len(split(b"", ",")) == 0
    assert len(split(b"")) == 0


def test_a_column_is_empty_where_the_row_is_shorter() -> None:
    grid = split(b"a,b\n1\n2,3\n", ",")

    column = grid.column(1, np.array([1, 2]))

    assert column.tolist() == ["", "3"]


def test_text_beyond_two_gigabytes_gets_wider_offsets(monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit is lowered here; rows and columns are read the same way."""
    monkeypatch.setattr(delimited, "_MAX_OFFSET", 10)

    grid = split(b"site,ph\nBar,7.1\nInn\n", ",")

    assert str(grid.flat.type) == "large_string"
    assert grid.row(1) == ["Bar", "7.1"]
    assert grid.column(1, np.array([1, 2])).tolist() == ["7.1", ""]
