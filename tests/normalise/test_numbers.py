"""Numbers as people type them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise.numbers import NumberStyle, parse_numbers


def read(*texts: str, decimal: str = "", words: tuple[str, ...] = ()) -> pd.DataFrame:
    style = NumberStyle(decimal, frozenset(words))
    frame, _ = parse_numbers(pd.Series(texts, dtype="str"), np.zeros(len(texts), dtype="int64"), [style])
    return frame.astype({"qualifier": "str", "problem": "str", "rest": "str", "detail": "str"})


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("7,4", 7.4),
        ("7.4", 7.4),
        (".5", 0.5),
        ("0,340", 0.34),
        ("1'210", 1210),
        ("1’210", 1210),
        ("1 340", 1340),
        ("12.000,5", 12000.5),
        ("1,234.56", 1234.56),
        ("1.234.567", 1234567),
        ("−5", -5),
        ("1e3", 1000),
        ("1.2E-3", 0.0012),
        ("１２", 12),
    ],
)
def test_a_number_that_can_be_read_in_one_way_is_read(text: str, number: float) -> None:
    assert read(text)["number"].item() == pytest.approx(number)


@pytest.mark.parametrize("text", ["nan", "inf", "1_000", "0x1", "abc", "1.2.3", "1,2,3", "", "-", "--5", "½"])
def test_what_is_no_number_is_a_problem(text: str) -> None:
    assert read(text)["problem"].item() == "number-unreadable"


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "text", ["1e308", "-1e308", "1e400", "1e99999999", "1e-320", "1e-400", "<1e20", "9" * 30, "0." + "0" * 400 + "1"]
)
def test_a_number_far_from_any_measurement_is_absurd(text: str) -> None:
    """It is a number to a person, whether or not a computer can hold it, so it is not called none."""
    frame = read(text)

    assert frame["problem"].item() == "number-absurd"
    assert np.isnan(frame["number"].item())


@pytest.mark.parametrize("text", ["0", "0.000", "0e5", "0,0", "1e15", "1e-15"])
def test_zero_and_the_outermost_numbers_are_read(text: str) -> None:
    assert read(text)["problem"].item() == ""


def test_one_mark_and_three_digits_wait_for_proof() -> None:
    assert read("1.340")["problem"].item() == "number-ambiguous"


@pytest.mark.parametrize(("proof", "number"), [("7,4", 1340.0), ("7.4", 1.34)])
def test_another_cell_of_the_file_proves_the_mark(proof: str, number: float) -> None:
    assert read("1.340", proof)["number"].tolist()[0] == pytest.approx(number)


def test_the_layout_may_declare_the_mark() -> None:
    assert read("1.340", decimal=",")["number"].item() == 1340.0


def test_marks_that_contradict_each_other_leave_the_doubtful_cell_open() -> None:
    frame = read("7,4", "540.5", "1.340")

    assert frame["number"].tolist()[:2] == [7.4, 540.5]
    assert frame["problem"].tolist()[2] == "number-ambiguous"


@pytest.mark.parametrize(
    ("text", "qualifier", "number"),
    [
        ("<0,5", "<", 0.5),
        ("< 0.5", "<", 0.5),
        ("≤3", "<", 3),
        (">200", ">", 200),
        ("~7", "~", 7),
        ("ca. 7", "~", 7),
    ],
)
def test_the_sign_before_a_number_is_kept(text: str, qualifier: str, number: float) -> None:
    frame = read(text)

    assert (frame["qualifier"].item(), frame["number"].item()) == (qualifier, number)


def test_a_word_for_not_detected_has_no_number() -> None:
    frame = read("n.n.", "N.D.", words=("n.n.", "n.d."))

    assert frame["qualifier"].tolist() == ["<", "<"]
    assert frame["number"].isna().all()
    assert (frame["problem"] == "").all()


@pytest.mark.parametrize(("text", "number", "rest"), [("14dH", 14, "dH"), ("7.4pH", 7.4, "pH"), ("14 Tr.", 14, "Tr.")])
def test_a_unit_glued_to_a_number_is_split_off(text: str, number: float, rest: str) -> None:
    frame = read(text)

    assert (frame["number"].item(), frame["rest"].item()) == (number, rest)


@pytest.mark.parametrize(("text", "number"), [("7O", 70), ("l4", 14), ("1O,5", 10.5)])
def test_letters_that_look_like_digits_are_read_and_reported(text: str, number: float) -> None:
    frame = read(text)

    assert frame["number"].item() == number
    assert frame["detail"].item() != ""


@pytest.mark.parametrize(
    ("text", "lower", "upper"),
    [
        ("6-12", 6, "12"),
        ("15,2-15,8", 15.2, "15,8"),
        ("0.5 - 0.8", 0.5, "0.8"),
        ("3 bis 5", 3, "5"),
        ("12–18 °dH", 12, "18"),
        ("7,1 à 7,4", 7.1, "7,4"),
        ("12 al 18 °f", 12, "18"),
        ("12 tot 18", 12, "18"),
    ],
)
def test_both_ends_of_a_range_are_read(text: str, lower: float, upper: str) -> None:
    frame = read(text)

    assert (frame["number"].item(), frame["upper"].item(), frame["problem"].item()) == (lower, upper, "")


@pytest.mark.parametrize("text", ["05-12", "6-2024", "2024-01"])
def test_a_month_of_a_year_is_no_range(text: str) -> None:
    assert read(text)["problem"].item() == "range-not-reading"


@pytest.mark.parametrize(
    ("text", "number", "mark"),
    [("30²", 30, "²"), ("12.3¹", 12.3, "¹"), ("30 ¹)", 30, "¹)"), ("<12¹", 12, "¹"), ("20²,³", 20, "²,³")],
)
def test_a_raised_figure_is_the_mark_of_a_footnote(text: str, number: float, mark: str) -> None:
    frame = read(text)

    assert (frame["number"].item(), frame["mark"].item(), frame["problem"].item()) == (number, mark, "")
    assert frame["detail"].item() != ""


@pytest.mark.parametrize("text", ["10³", "1.2×10³", "3·10⁻³"])
def test_a_power_of_ten_is_not_guessed(text: str) -> None:
    assert read(text)["problem"].item() == "number-unreadable"


@pytest.mark.parametrize(
    ("text", "spread"),
    [("81,2 ± 3,1", "3,1"), ("(81.2 ± 3.1) mg/l", "3.1"), ("81,2 (± 5 %)", "5 %"), ("81.2 +/- 3 mg/l", "3")],
)
def test_an_uncertainty_stands_beside_its_value(text: str, spread: str) -> None:
    frame = read(text)

    assert (frame["number"].item(), frame["spread"].item(), frame["problem"].item()) == (81.2, spread, "")


@pytest.mark.parametrize("text", ["2025-01-02", "01.02.2025", "1/2/2025"])
def test_a_date_in_a_number_cell_is_a_problem(text: str) -> None:
    assert read(text)["problem"].item() == "date-in-number"


def test_a_true_number_of_a_spreadsheet_has_a_point() -> None:
    frame, _ = parse_numbers(pd.Series(["1.340"]), np.array([0]), [NumberStyle()], plain=pd.Series([True]))

    assert frame["number"].item() == 1.34


@settings(max_examples=25)
@given(st.floats(-1e6, 1e6).filter(lambda x: x == 0 or abs(x) > 1e-6), st.sampled_from([".", ","]))
def test_what_is_printed_is_read_back(value: float, mark: str) -> None:
    printed = f"{value:.4f}".replace(".", mark)

    assert read(printed)["number"].item() == pytest.approx(float(f"{value:.4f}"), abs=1e-12)


@settings(max_examples=10)
@given(st.lists(st.text(max_size=12), max_size=40))
def test_any_text_is_a_number_a_word_or_a_problem(texts: list[str]) -> None:
    frame = read(*texts, words=("nd",))

    word = frame["qualifier"].eq("<") & frame["number"].isna()
    assert (np.isfinite(frame["number"]) | word | (frame["problem"] != "")).all()


def test_one_slip_does_not_outvote_a_file() -> None:
    many = [f"{number}.5" for number in range(25)]

    assert read("1.340", "7,4", *many)["number"].tolist()[0] == 1.34
    assert read("1.340", "7,4", *many[:3])["problem"].tolist()[0] == "number-ambiguous"


def test_tables_read_together_keep_their_own_marks_and_words() -> None:
    texts = pd.Series(["1.340", "0,5", "1.340", "0.5", "n.n.", "n.n.", "1.340"], dtype="str")
    styles = [NumberStyle(), NumberStyle(non_detect=frozenset({"n.n."})), NumberStyle()]

    frame, marks = parse_numbers(texts, np.array([0, 0, 1, 1, 0, 1, 2]), styles)

    assert marks == (",", ".", "")
    assert frame["number"].tolist()[:4] == [1340.0, 0.5, 1.34, 0.5]
    assert frame["problem"].tolist() == ["", "", "", "", "number-unreadable", "", "number-ambiguous"]
