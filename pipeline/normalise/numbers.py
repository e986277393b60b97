"""Numbers as people type them: marks, qualifiers, glued units; read by grammar, never guessed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.normalise.cell_marks import PARTS, with_signs, without_marks
from pipeline.notation.grammar import is_unit
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.arrays import Flags, Places

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
    r"(?P<exponent>[eE][+-]?\d+)?"
    r"\s*(?P<rest>.*)$"
)
# Nearly all numbers are digits with one mark at the most; the grammar has nothing to find out about them.
_ORDINARY: Final = r"^\d+(?:[.,]\d+)?$"
# Letters typed for digits, only between or beside digits: O and o for 0, l and I for 1.
_LOOKALIKE: Final = r"^[<>~]?\s*[\dOolI]*[.,]?[\dOolI]+$"
_RANGE: Final = r"^\s*[+-]?\d+(?:[.,]\d+)?\s*(?:-|–|—|\.\.+|bis|to|à|a)\s*\d+(?:[.,]\d+)?\s*\D*$"
_DATE: Final = r"^\d{4}-\d{2}-\d{2}([ T].*)?$|^\d{1,2}[./]\d{1,2}[./]\d{2,4}$"

# Distinct texts that prove one decimal mark for each that proves the other: a slip does not outvote a file.
_MAJORITY: Final = 20


_REMARK: Final = r"^\(.*\)$"
# Texts that cannot be a unit are not read as one, however many there are.
_UNIT_LIKE: Final = r"(?i)^.{0,60}([/°]|-[13]|ppm|gp|per |pro |par |mg|mmol|meq|mval|grad|deg).{0,60}$"
_PIECES: Final = ("qualifier", "sign", "body", "exponent", "rest")
_PROBLEMS: Final = ("", "number-ambiguous", "number-unreadable", "range-not-reading", "date-in-number", "number-absurd")
# A number that is larger or nearer to 0 stands for no measurement, whatever its unit [CP].
_LARGEST: Final = 1e15
_LEAST: Final = 1e-15
_NOT_ZERO: Final = r"^[^eE]*[1-9]"  # a number of this form that became 0 was too small to be held
_DIGITS_ALIKE: Final = bytes.maketrans(b"0123456789", b"5" * 10)
_GROUP: Final = 3  # digits of a thousands group


@dataclass(frozen=True)
class NumberStyle:
    """How one table writes numbers.

    Attributes
    ----------
    decimal : the decimal mark its layout declares, or "" to find it from the cells.
    non_detect : words that mean "not detected", case-folded.
    """

    decimal: str = ""
    non_detect: frozenset[str] = frozenset()


def parse_numbers(
    texts: pd.Series, table: Places, styles: Sequence[NumberStyle], *, plain: pd.Series | None = None
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Read a column of number cells that several tables share.

    Distinct texts of a table are read once each, so the cost follows the number of different texts.

    Parameters
    ----------
    texts : (n,) cells as received.
    table : (n,) position in ``styles`` of the table of each.
    styles : how each table writes numbers.
    plain : (n,) True where the text is a true number of a spreadsheet (point decimal, no marks).

    Returns
    -------
    frame : (n, 8) `number` (missing where unreadable), `qualifier` ("" < > ~), `problem` (code of
        ``pipeline.problems`` or ""), `detail`, `rest` (a unit or word glued to the number), and as text
        `mark` of a footnote, `spread` behind "±", `upper` end of a range whose lower end is the number.
    marks : the decimal mark of each table ("" where no cell proves one).

    Notes
    -----
    One mark followed by other than three digits is decimal, whatever the mark; so is one after a
    leading zero. Two different marks: the last is decimal if the others group by threes. One mark
    and exactly three digits is a thousands mark or a decimal mark: only the other cells of the
    table, or its layout, can tell; without them, or where they disagree by less than twenty to one,
    the cell is ambiguous.
    """
    text_code, distinct = pd.factorize(texts)
    code, pairs = (
        pd.factorize(text_code * len(styles) + table) if len(styles) > 1 else (text_code, np.arange(len(distinct)))
    )
    of_text, of_table = pairs // len(styles), pairs % len(styles)
    known = pa.table({"text": pa.array(distinct, from_pandas=True)})["text"].combine_chunks()
    known = pc.cast(known, pa.string()).fill_null("").take(pa.array(of_text))
    certain = np.zeros(len(known), dtype="bool")
    if plain is not None:
        certain[code[plain.to_numpy(dtype="bool")]] = True
    pieces = _pieces(known)
    shape = _shape(pieces["body"])
    marks = _marks(pieces, shape, certain, of_table, styles)
    word = _words(known, of_table, styles)
    read = _numbers(pieces, shape, np.array(marks, dtype=object)[of_table], certain, word)
    columns: dict[str, object] = {"number": read.pop("number")[code]}
    for name, words in read.items():
        said = TextColumn.from_arrow(words)
        stated = name not in PARTS or any(said.texts)
        columns[name] = (said.take(code) if stated else TextColumn.constant("", len(code))).category()
    return pd.DataFrame(columns), marks


def _marks(
    pieces: dict[str, Any], shape: dict[str, Any], certain: Flags, table: Places, styles: Sequence[NumberStyle]
) -> tuple[str, ...]:
    """Give the decimal mark of each table: the one it declares, or the one its cells prove."""
    commas, points = (np.bincount(table[proof], minlength=len(styles)) for proof in _evidence(pieces, shape, certain))
    proved = np.select([points > _MAJORITY * commas, commas > _MAJORITY * points], [".", ","], "")
    return tuple(style.decimal or str(mark) for style, mark in zip(styles, proved, strict=True))


def _words(known: pa.Array, table: Places, styles: Sequence[NumberStyle]) -> Flags:
    """Tell the texts that are their table's word for "not detected"."""
    folded = pc.utf8_lower(pc.utf8_trim_whitespace(known))
    found = np.zeros(len(known), dtype="bool")
    for words in {style.non_detect for style in styles} - {frozenset()}:
        using = np.array([style.non_detect == words for style in styles])
        listed = pc.is_in(folded, value_set=pa.array(sorted(words), type=pa.string()))
        found |= listed.to_numpy(zero_copy_only=False) & using[table]
    return found


def _matches(text: pa.Array, pattern: str) -> Flags:
    found = pc.match_substring_regex(text, pattern)
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype="bool")


def _pieces(known: pa.Array) -> dict[str, Any]:
    """Split every text into qualifier, sign, body, exponent and rest; body "" = no number found."""
    odd = ~_matches(known, _ORDINARY)
    found = _analysed(known.filter(pa.array(odd)))
    nothing, never = pa.repeat("", len(known)), np.zeros(len(known), dtype="bool")
    pieces: dict[str, Any] = {
        name: pc.replace_with_mask(known if name == "body" else nothing, pa.array(odd), found[name]) for name in _PIECES
    }
    for name in PARTS:
        pieces[name] = pc.replace_with_mask(nothing, pa.array(odd), found[name])
    for name in ("mended", "range", "date"):
        pieces[name] = never.copy()
        pieces[name][odd] = found[name]
    return pieces


def _analysed(texts: pa.Array) -> dict[str, Any]:
    """Take texts that are more than digits and a mark apart by the grammar."""
    # Compatibility folding would make a letter of a degree sign's look-alike.
    bare, parts = without_marks(texts)
    degrees = pc.replace_substring_regex(bare, pattern="[º˚∘]", replacement="°")
    text = with_signs(pc.utf8_trim_whitespace(pc.utf8_normalize(degrees, form="NFKC")))
    text = pc.replace_substring_regex(text, pattern="[−–—](\\d)", replacement=r"-\1")
    odd = _match_forms(text, [_LOOKALIKE, "[OolI]", r"\d"])
    if odd.any():
        zeros = pc.replace_substring_regex(text, pattern="[Oo]", replacement="0")
        ones = pc.replace_substring_regex(zeros, pattern="[lI]", replacement="1")
        text = pc.if_else(pa.array(odd), ones, text)
    numbers = pa.array(_match_forms(text, [_GRAMMAR]))
    found = pc.extract_regex(text.filter(numbers), _GRAMMAR)
    nothing = pa.repeat("", len(text))
    pieces: dict[str, Any] = {
        name: pc.replace_with_mask(nothing, numbers, pc.struct_field(found, name).fill_null("")) for name in _PIECES
    }
    return {
        **pieces,
        **parts,
        "mended": odd,
        "range": _match_forms(text, [_RANGE]),
        "date": _match_forms(text, [_DATE]),
    }


def _match_forms(text: pa.Array, patterns: Sequence[str]) -> Flags:
    """Tell the texts that match all of some patterns to which one digit is as good as another."""
    form = _forms(text)
    distinct = np.logical_and.reduce([_matches(form.dictionary, pattern) for pattern in patterns])
    return np.asarray(distinct[form.indices.to_numpy()], dtype="bool")


def _shape(body: pa.Array) -> dict[str, Any]:
    """Describe the marks of each body: how many, which is last, digits after it, regular groups."""
    plain = pc.replace_substring_regex(body, pattern=r"['’ ]", replacement="")
    form = _forms(plain)
    distinct, of_form = form.dictionary, form.indices.to_numpy()
    marks = pc.add(pc.count_substring(distinct, "."), pc.count_substring(distinct, ","))
    after = pc.utf8_length(pc.replace_substring_regex(distinct, pattern=r"^.*[.,]", replacement=""))
    shape = {
        "marks": marks.to_numpy(zero_copy_only=False),
        "after": after.to_numpy(zero_copy_only=False),
        "comma": _matches(distinct, r",[^.,]*$"),
        "groups": _matches(distinct, r"^\d{1,3}(\.\d{3})+$|^\d{1,3}(,\d{3})+$"),
        "mixed": _matches(distinct, r"^\d{1,3}(\.\d{3})+,\d+$|^\d{1,3}(,\d{3})+\.\d+$"),
    }
    spread = {name: part[of_form] for name, part in shape.items()}
    return {"plain": plain, "zero": _matches(plain, r"^0*[.,]"), **spread}


def _forms(plain: pa.Array) -> pa.DictionaryArray:
    """Write 5 for every digit: the numbers of a file have few forms, and each is looked at once."""
    _, offsets, data = plain.buffers()
    digits_alike = (data.to_pybytes() if data else b"").translate(_DIGITS_ALIKE)
    return pa.StringArray.from_buffers(len(plain), offsets, pa.py_buffer(digits_alike)).dictionary_encode()


def _evidence(pieces: dict[str, Any], shape: dict[str, Any], certain: Flags) -> tuple[Flags, Flags]:
    """Tell the texts that prove a decimal comma, and those that prove a decimal point."""
    one = (shape["marks"] == 1) & ~certain & ~pieces["range"] & ~pieces["date"]
    proof = (one & ((shape["after"] != _GROUP) | shape["zero"])) | shape["mixed"]
    grouped = (shape["marks"] > 1) & shape["groups"]
    comma = shape["comma"]
    return (proof & comma) | (grouped & ~comma), (proof & ~comma) | (grouped & comma)


def _numbers(
    pieces: dict[str, Any], shape: dict[str, Any], mark: npt.NDArray[np.object_], certain: Flags, word: Flags
) -> dict[str, Any]:
    """Read the distinct texts, each by its decimal mark: `number` as an array, the other columns as Arrow text."""
    single = shape["marks"] == 1
    three = single & (shape["after"] == _GROUP) & ~shape["zero"] & shape["groups"] & ~certain
    grouped = (shape["marks"] > 1) & shape["groups"]
    thousands = (three & (shape["comma"] != (mark == ","))) | grouped
    decimal = ~thousands & (single | shape["mixed"])
    irregular = (shape["marks"] > 1) & ~shape["groups"] & ~shape["mixed"]
    body = pc.equal(pieces["body"], "").to_numpy(zero_copy_only=False)
    unreadable = body | irregular | _harmful(pieces["rest"])
    digits = _pointed(shape, thousands, decimal)
    sign = pc.replace_substring(pieces["sign"], "+", "")
    text = pc.binary_join_element_wise(sign, digits, pieces["exponent"], "")
    readable = pc.if_else(pa.array(unreadable), None, text)
    number = pc.cast(readable, pa.float64()).to_numpy(zero_copy_only=False)
    absurd = ~unreadable & _beyond(number, text)
    problem = np.zeros(len(number), dtype="int64")
    for position, where in enumerate(
        (three & (mark == ""), unreadable | np.isnan(number), pieces["range"], pieces["date"], absurd),
        start=1,
    ):
        problem[where] = position
    problem[word] = 0
    good = (problem == 0) & ~word
    beside = pc.or_(pc.not_equal(pieces["rest"], ""), pc.not_equal(pieces["mark"], ""))
    repaired = good & (pieces["mended"] | beside.to_numpy(zero_copy_only=False))
    found = pieces["qualifier"].dictionary_encode()
    signs = pa.array([_QUALIFIERS.get(sign, "") for sign in found.dictionary.to_pylist()], pa.string()).take(
        found.indices
    )
    return {
        "number": np.where(good, number, np.nan),
        "qualifier": pc.if_else(pa.array(word), "<", signs),
        "problem": pa.array(_PROBLEMS).take(pa.array(problem)),
        "detail": pc.if_else(pa.array(repaired), text, ""),
        "rest": pc.if_else(pa.array(good), pieces["rest"], ""),
        **{name: pc.if_else(pa.array(good), pieces[name], "") for name in PARTS},
    }


def _beyond(number: npt.NDArray[np.float64], text: pa.Array) -> Flags:
    """Tell the numbers that are too large or too small to be measured; ``text`` is what each was written as."""
    size = np.abs(number)
    beyond: Flags = (size > _LARGEST) | (size < _LEAST)
    small = np.flatnonzero(size < _LEAST)
    beyond[small] = _matches(text.take(pa.array(small)), _NOT_ZERO)
    return beyond


def _pointed(shape: dict[str, Any], thousands: Flags, decimal: Flags) -> pa.Array:
    """Write every body with a decimal point and without grouping marks."""
    comma = shape["comma"]
    other = np.flatnonzero(thousands | (decimal & (comma | shape["mixed"])))
    if not len(other):
        return shape["plain"]
    plain, comma = shape["plain"].take(pa.array(other)), pa.array(comma[other])
    without_points, without_commas = pc.replace_substring(plain, ".", ""), pc.replace_substring(plain, ",", "")
    pointed = pc.if_else(comma, pc.replace_substring(without_points, ",", "."), without_commas)
    bare = pc.replace_substring(without_points, ",", "")
    changed = np.zeros(len(shape["plain"]), dtype="bool")
    changed[other] = True
    written = pc.if_else(pa.array(thousands[other]), bare, pointed)
    return pc.replace_with_mask(shape["plain"], pa.array(changed), written)


def _harmful(rest: pa.Array) -> Flags:
    """Tell where what follows a number is no unit or remark: it has digits, other than those of "14 mg/L CaCO3"."""
    encoded = rest.dictionary_encode()
    doubtful = _matches(encoded.dictionary, r"\d") & ~_matches(encoded.dictionary, _REMARK)
    places = np.flatnonzero(doubtful & _matches(encoded.dictionary, _UNIT_LIKE))
    doubtful[places] = [not is_unit(text) for text in encoded.dictionary.take(pa.array(places)).to_pylist()]
    return np.asarray(doubtful[encoded.indices.to_numpy()], dtype="bool")
