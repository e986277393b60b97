"""Remarks on odd text: quotes nothing closes, text behind a closing quote, cells nobody types."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.problems import problem_frame

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.arrays import Places
    from pipeline.ingest.quoting import Quoting

    Bytes = npt.NDArray[np.uint8]

LONG_CELL_BYTES: Final = 1_000_000
_SHOWN: Final = 60


def quote_notices(quoting: Quoting, block: Bytes, line: int, lines: Places) -> list[pd.DataFrame]:
    """Say which quotes were not read as marks, and where (the first) text follows a closing quote.

    Parameters
    ----------
    quoting : what the quotes of the block mean.
    block : its bytes, as far as they are complete rows.
    line : number of its first line.
    lines : places of its line ends.
    """
    detail = "the quote is taken as text"
    if quoting.line_by_line:
        detail += "; as there are many, no quoted cell near here goes on to a next line"
    behind = quoting.text_behind[quoting.text_behind < len(block)]
    told = {
        "quote-unclosed": (quoting.taken_as_text[quoting.taken_as_text < len(block)], detail),
        "quote-inside-text": (behind[:1], f"{len(behind)} from here on"),
    }
    return [
        problem_frame(
            code,
            file_sha256="",
            line=pd.Series(line + np.searchsorted(lines, places)),
            column="",
            raw_text=pd.Series([_shown(block[place : place + _SHOWN].tobytes()) for place in places]),
            detail=detail,
        )
        for code, (places, detail) in told.items()
        if len(places)
    ]


def _shown(raw: bytes) -> str:
    lines = raw.decode("utf-8", errors="ignore").splitlines()
    return lines[0] if lines else ""


def long_cell_notices(flat: pa.Array, count: npt.NDArray[np.int32], line: npt.NDArray[np.int32]) -> pd.DataFrame:
    """Note cells nobody types: a lost quote or delimiter, or another kind of file."""
    length = pc.binary_length(flat)
    place = np.flatnonzero(length.to_numpy(zero_copy_only=False) > LONG_CELL_BYTES)
    row = np.searchsorted(np.cumsum(count), place, side="right")
    beginning = pc.utf8_slice_codeunits(flat.take(pa.array(place)), 0, _SHOWN)
    size = pc.cast(length.take(pa.array(place)), pa.string())
    return problem_frame(
        "cell-very-long",
        file_sha256="",
        line=pd.Series(line[row]),
        column="",
        raw_text=pd.Series(pd.array(beginning, dtype="str")),
        detail=pd.Series(pd.array(pc.binary_join_element_wise(size, "bytes", " "), dtype="str")),
    )
