"""Names of files as people read them: every name can be written down, and leads back to its file."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pandas as pd

_BYTES: Final = range(0xDC80, 0xDD00)  # what Python makes of the bytes 80 to FF where they are no UTF-8 [PEP383]
_ILLEGIBLE: Final = re.compile(r"[\x00-\x1f\x7f\ud800-\udfff]")
_FOLDERS: Final = re.compile(r"^.*/")
_LIKE_AN_ESCAPE: Final = re.compile(r"\\(?=x[0-9a-f]{2})")


def legible(path: Path | str) -> str:
    r"""Write a path so that it can be printed, stored and sent, whatever its bytes are.

    Nothing but UTF-8 can be shown or kept, and a system such as Linux accepts any byte in a name. A byte that is
    no part of UTF-8, and a control character, is written ``\xe4``; all else stays as it is. A backslash that looks
    like the beginning of such an escape is itself written ``\x5c``, so every name leads back to one file.

    Example
    -------
    >>> legible("kit_\udce4.csv")
    'kit_\\xe4.csv'
    """
    text = str(path)
    if os.sep == "/":
        text = _LIKE_AN_ESCAPE.sub(r"\\x5c", text)
    return _ILLEGIBLE.sub(_escaped, text)


def sample_names(about: pd.DataFrame, files: Mapping[str, str]) -> pd.Series:
    """Give what people call each sample: its label, or the file and line of one that has none ("sheet.csv line 7").

    The view `sample_name` of the store names them alike.

    Parameters
    ----------
    about : (n, …) samples, index `sample_id`, with `label file_sha256 line`.
    files : name of each file by its SHA-256; a sample of another file is called by its identifier.
    """
    label = about["label"]
    nameless = (label.str.strip() == "").to_numpy()
    if not nameless.any():
        return label
    own = about.loc[nameless]
    names = own["file_sha256"].map({sha256: _FOLDERS.sub("", name) for sha256, name in files.items()})
    by_line = (names + " line " + own["line"].astype("str")).fillna(own.index.to_series())
    return label.mask(nameless, by_line)


def _escaped(found: re.Match[str]) -> str:
    code = ord(found.group())
    if code in _BYTES:
        code -= 0xDC00
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"  # noqa: PLR2004 - a byte; no byte, a half of a UTF-16 pair (Windows)
