"""Numbers as people type them: marks, qualifiers, glued units; read by grammar, never guessed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
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
    "ca": "~",
    "±": "~",
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
    marks = Marks(decimal or _evidence(pieces, certain))
    read = _numbers(known, pieces, marks, certain)
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
    plain = body.str.replace(r"['’ ]", "", regex=True)
    points, commas = plain.str.count(r"\."), plain.str.count(",")
    last = np.where(plain.str.rfind(",") > plain.str.rfind("."), ",", ".")
    after = plain.str.len() - np.maximum(plain.str.rfind(","), plain.str.rfind(".")) - 1
    return pd.DataFrame(
        {
            "plain": plain,
            "marks": points + commas,
            "both": (points > 0) & (commas > 0),
            "last": last,
            "after": after,
            "zero": plain.str.match(r"^0*[.,]"),
            "groups": plain.str.match(r"^\d{1,3}(\.\d{3})+$|^\d{1,3}(,\d{3})+$"),
            "mixed": plain.str.match(r"^\d{1,3}(\.\d{3})+,\d+$|^\d{1,3}(,\d{3})+\.\d+$"),
        }
    )


def _evidence(pieces: pd.DataFrame, certain: np.ndarray) -> str:
    """Find the decimal mark that some cell proves; "" where none does or they disagree."""
    shape = _shape(pieces["body"])
    one = (shape["marks"] == 1) & ~certain & ~pieces["range"] & ~pieces["date"]
    proof = (one & ((shape["after"] != 3) | shape["zero"])) | shape["mixed"]  # noqa: PLR2004 - groups have three
    proven = set(shape.loc[proof, "last"])
    grouped = set(shape.loc[(shape["marks"] > 1) & shape["groups"], "last"])
    proven |= {"," if mark == "." else "." for mark in grouped}
    return proven.pop() if len(proven) == 1 else ""


def _numbers(known: pd.Series, pieces: pd.DataFrame, marks: Marks, certain: np.ndarray) -> pd.DataFrame:
    shape = _shape(pieces["body"])
    single = shape["marks"] == 1
    three = single & (shape["after"] == 3) & ~shape["zero"] & shape["groups"]  # noqa: PLR2004 - groups have three
    three &= ~certain
    ambiguous = three & (marks.decimal == "")
    thousands = (three & (shape["last"] != marks.decimal)) | ((shape["marks"] > 1) & shape["groups"])
    decimal = ~thousands & (single | shape["mixed"])
    irregular = (shape["marks"] > 1) & ~shape["groups"] & ~shape["mixed"]
    digits = shape["plain"].where(~thousands, shape["plain"].str.replace(r"[.,]", "", regex=True))
    swapped = shape["plain"].where(
        shape["last"] == ".", shape["plain"].str.replace(".", "").str.replace(",", ".")
    )
    digits = digits.where(~decimal, swapped.where(shape["last"] == ",", shape["plain"].str.replace(",", "")))
    unreadable = (
        (pieces["body"] == "") | irregular | (pieces["rest"].str.contains(r"\d") & ~_harmless(pieces))
    )
    text = pieces["sign"].str.replace("+", "") + digits + pieces["exponent"]
    number = pd.Series(pc.cast(pa.array(text.where(~unreadable), from_pandas=True), pa.float64()).to_pandas())
    problem = pd.Series("", index=known.index, dtype="str")
    for code, where in (
        ("number-ambiguous", ambiguous),
        ("number-unreadable", unreadable | ~np.isfinite(number.to_numpy(dtype="float64", na_value=np.nan))),
        ("range-not-reading", pieces["range"]),
        ("date-in-number", pieces["date"]),
    ):
        problem = problem.mask(where, code)
    good = problem == ""
    repaired = good & (pieces["mended"] | (pieces["rest"] != ""))
    return pd.DataFrame(
        {
            "number": number.where(good),
            "qualifier": pieces["qualifier"]
            .str.rstrip(".")
            .map(_QUALIFIERS)
            .fillna(pieces["qualifier"].where(pieces["qualifier"] == "", "~")),
            "problem": problem,
            "detail": text.where(repaired, ""),
            "rest": pieces["rest"].where(good, ""),
        }
    ).astype({"qualifier": "str", "problem": "str", "detail": "str", "rest": "str", "number": "float64"})


def _harmless(pieces: pd.DataFrame) -> pd.Series:
    """Tell whether digits after the number belong to a unit or a remark, as in "14 mg/L CaCO3"."""
    return pieces["rest"].str.match(r"^(\(.*\)|[^\d<>,;:]*(CaCO3|HCO3|NO3|SO4|SiO2|cm3|cm|25|20)\S*\s*\)?)$")
