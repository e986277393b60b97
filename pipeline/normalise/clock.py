"""Times of day, apart from the date before them."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

_TIMED: Final = (
    r"^(?P<date>.*[^\sT,])[T ,]\s*(?P<hour>\d{1,2})[:h](?P<minute>\d{2})(?::(?P<second>\d{2}(?:\.\d+)?))?"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*(?:Uhr|h)?\s*(?P<offset>Z|[+-]\d{2}:?\d{2})?$"
)


def split_time(known: pd.Series) -> pd.DataFrame:
    """Part texts into date, time of day and offset from UTC.

    Parameters
    ----------
    known : (n,) distinct texts such as "12.03.2025 10:05", "2025-03-12T10:05:00+01:00", "3/12/2025 1:15 PM".

    Returns
    -------
    (n, 4) frame: `date` text, `seconds` of the day [s] and `offset_s` [s], missing where none is written,
    `impossible` where the time is none of a clock. "00:00:00" is how a spreadsheet writes no time.
    """
    text = pc.utf8_trim_whitespace(pc.utf8_normalize(pa.array(known, type=pa.string()), form="NFKC"))
    if not pc.any(pc.match_substring_regex(text, r"\d[:h]\d")).as_py():
        nothing = np.full(len(known), np.nan)
        return pd.DataFrame({"date": text.to_pandas(), "seconds": nothing, "offset_s": nothing, "impossible": False})
    found = pc.extract_regex(text, _TIMED)
    timed = pc.is_valid(found).to_numpy(zero_copy_only=False)

    def part(name: str) -> pd.Series:
        return pd.Series(pc.struct_field(found, name).fill_null("").to_pandas(), dtype="str")

    def number(texts: pd.Series) -> pd.Series:
        written = pa.array(texts.where(texts != ""), type=pa.string(), from_pandas=True)
        return pd.Series(pc.cast(written, pa.float64()).to_numpy(zero_copy_only=False))

    hour, minute, second = number(part("hour")), number(part("minute")), number(part("second")).fillna(0.0)
    half = part("half").str.slice(0, 1).str.casefold()
    impossible = (hour > 23) | (minute > 59) | (second >= 60) | ((half != "") & ((hour < 1) | (hour > 12)))  # noqa: PLR2004 - a clock
    hour = hour.where(half == "", hour % 12 + 12 * (half == "p"))
    seconds = hour * 3600 + minute * 60 + second
    spreadsheet_date = (part("second") != "") & (half == "") & (seconds == 0)
    offset = part("offset").str.replace(":", "").str.replace("Z", "+0000")
    size = number(offset.str.slice(1, 3)) * 3600 + number(offset.str.slice(3, 5)) * 60
    return pd.DataFrame(
        {
            "date": part("date").where(timed, pd.Series(text.to_pandas(), dtype="str")),
            "seconds": seconds.where(~spreadsheet_date),
            "offset_s": size.where(offset.str.slice(0, 1) != "-", -size),
            "impossible": impossible,
        }
    )
