"""Which encoding a text file has that is not UTF-8: the one in which its words are words of this trade."""

from __future__ import annotations

import re
from typing import Final

from pipeline.ingest.meanings import meanings
from pipeline.ingest.name_vocabulary import accompanying_words, compound, word_meanings
from pipeline.ingest.spellings import key

# Windows code pages of Western and Central Europe, then what spreadsheets write in Japan and China.
USUAL: Final = "cp1252"
_CANDIDATES: Final = (USUAL, "cp1250", "cp932", "gb18030")
_READ: Final = 1 << 15  # bytes that are looked at
_WORD: Final = re.compile(r"[^\W\d_]+")
# Signs that no word of Western Europe holds, where other code pages have letters.
_NO_LETTERS: Final = re.compile(r"(?<=[a-z])[¹²³¿¼½¾£¥¡¯](?=[a-z])|\b[¡£¯¿](?=[a-z])")


def likeliest(data: bytes) -> str:
    """Give the encoding in which most words beyond ASCII are known; Windows-1252 where none tells.

    Parameters
    ----------
    data : a text file that is not UTF-8.

    Example
    -------
    >>> likeliest("Twardość ogólna;Wapń".encode("cp1250")), likeliest("Härte;Leitfähigkeit".encode("cp1252"))
    ('cp1250', 'cp1252')
    """
    head = data[:_READ]
    head = head[: head.rfind(b"\n") + 1] or head
    known: dict[str, int] = {}
    for encoding in _CANDIDATES:
        try:
            known[encoding] = _known_words(head.decode(encoding))
        except UnicodeDecodeError:
            continue
    return max(known, key=lambda encoding: known[encoding], default=USUAL)


def _known_words(text: str) -> int:
    """Count the different words beyond ASCII that are known, less the places where a word holds no letter."""
    words = {word for word in _WORD.findall(text) if not word.isascii()}
    return sum(map(_is_known, words)) - len(_NO_LETTERS.findall(text))


def _is_known(word: str) -> bool:
    folded = key(word)
    return bool(meanings(word) or word_meanings(word) or folded in accompanying_words() or compound(folded))
