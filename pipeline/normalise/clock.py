"""Times of day, apart from the date before them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

_TIMED: Final = (
    r"^(?P<date>.*?[^\sT,–-])(?:T|[\s,–-]+(?:(?:à|at|um|alle|alle ore|ore|om|a las|a la|as|às|v|ve|o|godz\.?)\s+)?)"
    r"(?P<hour>\d{1,2})(?:(?:[:.]|\s?h\s?)(?P<minute>\d{2})(?::(?P<second>\d{2}(?:\.\d+)?))?|\s?h|\s(?:Uhr|uur))"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*(?:Uhr|uur|hrs?|h)?\s*(?P<offset>Z|[+-]\d{2}:?\d{2})?$"
)


@dataclass(frozen=True)
class Times:
    """Texts parted into dates and times of day.

    Attributes
    ----------
    date : (n,) text without its time.
    seconds, offset_s : (n,) time of the day and offset from UTC [s], missing where none is written.
    impossible : (n,) True where the time is none of a clock.
    """

    date: pd.Series
    seconds: npt.NDArray[np.float64]
    offset_s: npt.NDArray[np.float64]
    impossible: npt.NDArray[np.bool_]


def split_time(known: pd.Series) -> Times:
    """Part texts into date, time of day and offset from UTC.

    Parameters
    ----------
    known : (n,) distinct texts such as "12.03.2025 10:05", "2025-03-12T10:05:00+01:00", "3/12/2025 1:15 PM".
        "00:00:00" is how a spreadsheet writes no time.
    """
    text = pc.utf8_trim_whitespace(pc.utf8_normalize(pa.array(known, type=pa.string()), form="NFKC"))
    nothing = np.full(len(known), np.nan)
    if not pc.any(pc.match_substring_regex(text, r"\d[:h.]\d|\d ?h|\d (?:Uhr|uur)")).as_py():
        return Times(_series(text), nothing, nothing, np.zeros(len(known), dtype="bool"))
    found = pc.extract_regex(text, _TIMED)

    def part(name: str) -> pa.Array:
        return pc.struct_field(found, name).fill_null("")

    def number(texts: pa.Array) -> npt.NDArray[np.float64]:
        written = pc.if_else(pc.equal(texts, ""), None, texts)
        return np.array(pc.cast(written, pa.float64()).to_numpy(zero_copy_only=False))

    hour = number(part("hour"))
    minute, second = (np.nan_to_num(number(part(name))) for name in ("minute", "second"))
    half = _series(part("half")).str.slice(0, 1).str.casefold().to_numpy()
    impossible = (hour > 23) | (minute > 59) | (second >= 60) | ((half != "") & ((hour < 1) | (hour > 12)))  # noqa: PLR2004 - a clock
    hour = np.where(half == "", hour, hour % 12 + 12 * (half == "p"))
    seconds = hour * 3600 + minute * 60 + second
    spreadsheet_date = (_series(part("second")) != "").to_numpy() & (half == "") & (seconds == 0)
    offset = pc.replace_substring(pc.replace_substring(part("offset"), ":", ""), "Z", "+0000")
    size = number(pc.utf8_slice_codeunits(offset, 1, 3)) * 3600 + number(pc.utf8_slice_codeunits(offset, 3, 5)) * 60
    return Times(
        date=_series(pc.if_else(pc.is_valid(found), part("date"), text)),
        seconds=np.where(spreadsheet_date, np.nan, seconds),
        offset_s=np.where(_matches(offset, "^-"), -size, size),
        impossible=impossible,
    )


def _matches(text: pa.Array, pattern: str) -> npt.NDArray[np.bool_]:
    return np.asarray(pc.match_substring_regex(text, pattern).to_numpy(zero_copy_only=False))


def _series(text: pa.Array) -> pd.Series:
    return pd.Series(pd.array(text, dtype="str"))
