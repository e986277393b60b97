"""Numbers as people type them: marks, qualifiers, glued units; read by grammar, never guessed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

_QUALIFIERS: Final = {
    "<": "<",
    "≤": "<",
    "<=": "<",
    ">": ">",
    "≥": ">",
    ">=": ">",
    "~": "~",
    "≈": "~",
    "±": "~",
    **dict.fromkeys(("ca", "ca.", "Ca", "Ca.", "circa", "Circa", "c."), "~"),
}
# Qualifier, number, rest. The body may carry grouping marks; what they mean is decided afterwards.
_GRAMMAR: Final = (
    r"^(?P<qualifier><=|>=|[<>≤≥~≈±]|[Cc]a\.?|[Cc]irca|[Cc]\.)?\s*"
    r"(?P<sign>[+-]?)"
    r"(?P<body>\d{1,3}(?:['’ ]\d{3})+(?:[.,]\d+)?|\d+(?:[.,]\d+)*|[.,]\d+)"
    r"(?P<exponent>[eE][+-]?\d{1,3})?"
    r"\s*(?P<rest>.*)$"
)
# Letters typed for digits, only between or beside digits: O and o for 0, l and I for 1.
_LOOKALIKE: Final = r"^[<>~]?\s*[\dOolI]*[.,]?[\dOolI]+$"
_RANGE: Final = r"^\s*[+-]?\d+(?:[.,]\d+)?\s*(?:-|–|—|\.\.+|bis|to|à|a)\s*\d+(?:[.,]\d+)?\s*\D*$"
_DATE: Final = r"^\d{4}-\d{2}-\d{2}([ T].*)?$|^\d{1,2}[./]\d{1,2}[./]\d{2,4}$"


@dataclass(frozen=True)
class Marks:
    """How one file writes numbers: its decimal mark ("" where no cell proves one)."""

    decimal: str


def parse(
    texts: pd.Series, decimal: str, non_detect: frozenset[str], *, plain: pd.Series | None = None
) -> tuple[pd.DataFrame, Marks]:
    """Read a column of number cells.

    Distinct texts are read once each, so the cost follows the number of different texts.

    Parameters
    ----------
    texts : (n,) cells as received.
    decimal : the decimal mark the layout declares, or "" to find it from the cells of the file.
    non_detect : words that mean "not detected", case-folded.
    plain : (n,) True where the text is a true number of a spreadsheet (point decimal, no marks).

    Returns
    -------
    frame : (n, 5) `number` (missing where unreadable), `qualifier` ("" < > ~), `problem` (code of
        ``pipeline.problems`` or ""), `detail`, `rest` (a unit or word glued to the number).
    marks : how the file writes numbers.

    Notes
    -----
    One mark followed by other than three digits is decimal, whatever the mark; so is one after a
    leading zero. Two different marks: the last is decimal if the others group by threes. One mark
    and exactly three digits is a thousands mark or a decimal mark: only the other cells of the
    file, or the layout, can tell; without them the cell is ambiguous.
    """
    code, distinct = pd.factorize(texts)
    known = pd.Series(distinct, dtype="str")
    certain = np.zeros(len(known), dtype="bool")
    if plain is not None:
        certain[code[plain.to_numpy(dtype="bool")]] = True
    pieces = _pieces(known)
    shape = _shape(pieces["body"])
    marks = Marks(decimal or _evidence(pieces, shape, certain))
    read = _numbers(pieces, shape, marks, certain)
    words = known.str.strip().str.casefold().isin(non_detect)
    for name, text in (("qualifier", "<"), ("problem", ""), ("detail", ""), ("rest", "")):
        read[name] = read[name].mask(words, text).astype("category")
    read["number"] = read["number"].mask(words)
    return read.take(code).reset_index(drop=True), marks


def _pieces(known: pd.Series) -> pd.DataFrame:
    """Split every text into qualifier, sign, body, exponent and rest; body "" = no number found."""
    text = pa.array(known, type=pa.string(), from_pandas=True)
    text = pc.utf8_trim_whitespace(pc.utf8_normalize(text, form="NFKC"))
    text = pc.replace_substring_regex(text, pattern="[−–—](\\d)", replacement=r"-\1")
    looks = pc.match_substring_regex(text, _LOOKALIKE)
    odd = pc.and_(
        looks, pc.and_(pc.match_substring_regex(text, "[OolI]"), pc.match_substring_regex(text, r"\d"))
    )
    mended = pc.replace_substring_regex(
        pc.replace_substring_regex(text, pattern="[Oo]", replacement="0"), pattern="[lI]", replacement="1"
    )
    found = pc.extract_regex(pc.if_else(odd, mended, text), _GRAMMAR)
    names = ("qualifier", "sign", "body", "exponent", "rest")
    frame = pd.DataFrame(
        {name: pc.struct_field(found, name).fill_null("").to_pandas() for name in names}, dtype="str"
    )
    frame["mended"] = odd.to_numpy(zero_copy_only=False)
    frame["range"] = pc.match_substring_regex(text, _RANGE).to_numpy(zero_copy_only=False)
    frame["date"] = pc.match_substring_regex(text, _DATE).to_numpy(zero_copy_only=False)
    return frame


def _shape(body: pd.Series) -> pd.DataFrame:
    """Describe the marks of each body: how many, which is last, digits after it, regular groups."""
    text = pa.array(body, type=pa.string(), from_pandas=True)
    plain = pc.replace_substring_regex(text, pattern=r"['’ ]", replacement="")
    points, commas = pc.count_substring(plain, "."), pc.count_substring(plain, ",")
    after = pc.utf8_length(pc.replace_substring_regex(plain, pattern=r"^.*[.,]", replacement=""))
    tests = {
        "comma_last": r",[^.,]*$",
        "zero": r"^0*[.,]",
        "groups": r"^\d{1,3}(\.\d{3})+$|^\d{1,3}(,\d{3})+$",
        "mixed": r"^\d{1,3}(\.\d{3})+,\d+$|^\d{1,3}(,\d{3})+\.\d+$",
    }
    found = {name: _flags(pc.match_substring_regex(plain, pattern)) for name, pattern in tests.items()}
    return pd.DataFrame(
        {
            "plain": pd.Series(plain.to_pandas(), dtype="str"),
            "marks": pc.add(points, commas).to_numpy(zero_copy_only=False),
            "last": np.where(found.pop("comma_last"), ",", "."),
            "after": after.to_numpy(zero_copy_only=False),
            **found,
        }
    )


def _flags(found: pa.Array) -> npt.NDArray[np.bool_]:
    return np.asarray(found.fill_null(False).to_numpy(zero_copy_only=False), dtype="bool")


def _evidence(pieces: pd.DataFrame, shape: pd.DataFrame, certain: npt.NDArray[np.bool_]) -> str:
    """Find the decimal mark that some cell proves; "" where none does or they disagree."""
    one = (shape["marks"] == 1) & ~certain & ~pieces["range"] & ~pieces["date"]
    proof = (one & ((shape["after"] != 3) | shape["zero"])) | shape["mixed"]  # noqa: PLR2004 - groups have three
    proven = set(shape.loc[proof, "last"])
    grouped = set(shape.loc[(shape["marks"] > 1) & shape["groups"], "last"])
    proven |= {"," if mark == "." else "." for mark in grouped}
    return proven.pop() if len(proven) == 1 else ""


def _numbers(
    pieces: pd.DataFrame, shape: pd.DataFrame, marks: Marks, certain: npt.NDArray[np.bool_]
) -> pd.DataFrame:
    single = shape["marks"] == 1
    three = single & (shape["after"] == 3) & ~shape["zero"] & shape["groups"]  # noqa: PLR2004 - groups have three
    three &= ~certain
    ambiguous = three & (marks.decimal == "")
    thousands = (three & (shape["last"] != marks.decimal)) | ((shape["marks"] > 1) & shape["groups"])
    decimal = ~thousands & (single | shape["mixed"])
    irregular = (shape["marks"] > 1) & ~shape["groups"] & ~shape["mixed"]
    harmless = _harmless(pieces["rest"])
    unreadable = (pieces["body"] == "") | irregular | ~harmless
    text = pieces["sign"].str.replace("+", "") + _pointed(shape, thousands, decimal) + pieces["exponent"]
    number = pd.Series(pc.cast(pa.array(text.where(~unreadable), from_pandas=True), pa.float64()).to_pandas())
    finite = np.isfinite(number.to_numpy(dtype="float64", na_value=np.nan))
    problem = pd.Series("", index=pieces.index, dtype="str")
    for code, where in (
        ("number-ambiguous", ambiguous),
        ("number-unreadable", unreadable | ~finite),
        ("range-not-reading", pieces["range"]),
        ("date-in-number", pieces["date"]),
    ):
        problem = problem.mask(where, code)
    good = problem == ""
    repaired = good & (pieces["mended"] | (pieces["rest"] != ""))
    return pd.DataFrame(
        {
            "number": number.where(good).astype("float64"),
            "qualifier": pieces["qualifier"].map(_QUALIFIERS).fillna("").astype("str"),
            "problem": problem,
            "detail": text.where(repaired, ""),
            "rest": pieces["rest"].where(good, ""),
        }
    )


def _pointed(shape: pd.DataFrame, thousands: pd.Series, decimal: pd.Series) -> pd.Series:
    """Write every body with a decimal point and without grouping marks."""
    plain = shape["plain"]
    commas = decimal & (shape["last"] == ",")
    points = decimal & (shape["last"] == ".")
    bare = plain.mask(thousands, plain.str.replace(r"[.,]", "", regex=True))
    pointed = bare.mask(commas, plain.str.replace(".", "", regex=False).str.replace(",", ".", regex=False))
    return pointed.mask(points, plain.str.replace(",", "", regex=False))


def _harmless(rest: pd.Series) -> pd.Series:
    """Tell whether what follows a number is a unit or a remark: no digits, or those of "14 mg/L CaCO3"."""
    plain = ~rest.str.contains(r"\d")
    return plain | rest.str.match(r"^(\(.*\)|[^\d<>,;:]*(CaCO3|HCO3|NO3|SO4|SiO2|cm3|cm|25|20)\S*\s*\)?)$")
