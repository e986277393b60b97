"""The stage of a water from the words of its sampling point or label, where no column states it."""

from __future__ import annotations

import re
from collections import Counter
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline.ingest.spellings import heading_words, key, word_keys, word_table
from pipeline.texts import TextColumn, first_stated

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_PARTS: Final = re.compile(r"[,;:/|()\[\]–—_]+|\s-\s")
_WORD_STARTS: Final = re.compile(r"(?:^|[\s,;:/|(\[–—_-])(?=[^\W_])")
_BETWEEN: Final = " ,;:/|([–—_-"  # what may stand between the name of a site and a stage
_OPPOSITE: Final = (frozenset({"raw"}), frozenset({"treated", "permeate"}))
_UNSPACED: Final = re.compile(r"[\u3040-\u30ff\u4e00-\u9fff]{2,}$")  # Japanese and Chinese write no blanks


class _Phrase(NamedTuple):
    """Words that name a stage, and where in a text they do."""

    stage: str
    where: str  # "anywhere", "alone" (a whole part of the text) or "alone or last"


def stage_of(text: str, *, label: bool = False) -> str:
    """Give the stage that the words of a text name, "" where they name none or contradict each other.

    Parameters
    ----------
    text : a sampling point, or a label.
    label : in a label "bottle" names what is labelled and not what was in it.

    Example
    -------
    >>> stage_of("kitchen cold tap, before filter"), stage_of("Hahn nach dem Enthärter"), stage_of("Strawberry bar")
    ('raw', 'treated', '')
    """
    parts = _parts(text)
    if _of_both_sides({word for words in parts for word in words}):
        return ""
    found = [match for words in parts for match in _named(words)]
    stages = {stage for stage, _ in found} - ({"bottled"} if label else set())
    if "" in stages or all(stages & side for side in _OPPOSITE):
        return ""
    stages = stages - {"machine_inlet"} or stages  # "machine, raw": the machine is the place
    longest = max((size for stage, size in found if stage in stages), default=0)
    chosen = {stage for stage, size in found if stage in stages and size == longest}
    return chosen.pop() if len(chosen) == 1 else ""


def stage_in_column(text: str) -> str:
    """Give the stage that a cell of a column of stages names; there a device alone stands for the water behind it.

    Example
    -------
    >>> stage_in_column("Filter"), stage_in_column("nach dem Enthärter"), stage_in_column("brown")
    ('treated', 'treated', '')
    """
    grammar, said = _grammar(), key(text)
    behind = "treated" if said in grammar["devices"] else "permeate" if said in grammar["membranes"] else ""
    return word_table("stages").get(said, "") or stage_of(text) or behind


def sites_with_stages(sites: TextColumn) -> dict[str, tuple[str, str]]:
    """Part the sites whose names end in a stage: "Rohwasser" and "nach Filter", "Bar 1" and "Bar 1 nach Filter".

    Returns
    -------
    The name of the site ("" where nothing but a stage is said) and the words of the stage. A site of which there is
    only one name keeps it, whatever it ends in.

    Example
    -------
    >>> import numpy as np
    >>> sites_with_stages(TextColumn(np.arange(3), ("Bar 1", "Bar 1 - nach Filter", "Hotel Quelle")))
    {'Bar 1 - nach Filter': ('Bar 1', 'nach Filter')}
    """
    parted = {
        site: (site[: len(site) - len(stage)].rstrip(_BETWEEN), stage.rstrip(" )"))
        for site in sites.holding(_any_word())
        if (stage := _last_stage(site))
    }
    if not parted:
        return {}
    names = Counter(key(parted.get(site, (site, ""))[0]) for site in sites.texts)
    return {site: said for site, said in parted.items() if not said[0] or names[key(said[0])] > 1}


def _last_stage(text: str) -> str:
    """Give the longest end of a text that is the name of a stage and nothing else."""
    for start in _WORD_STARTS.finditer(text):
        end = text[start.end() :]
        where = ("anywhere", "alone or last") if start.end() else ("anywhere",)
        meant = _phrase(" ".join(key(end).replace(")", " ").split()))
        if meant is not None and meant.where in where and meant.stage != "bottled":
            return end
    return ""


def derived_stages(points: TextColumn, labels: TextColumn) -> tuple[TextColumn, TextColumn]:
    """Give the stages that sampling points name, else those that labels name, and where each was taken from."""
    return first_stated({"sampling point": _of_texts(points, label=False), "label": _of_texts(labels, label=True)})


def bottle_labels(said: Mapping[str, TextColumn], name: str) -> tuple[TextColumn, TextColumn]:
    """Know figures that were copied from the labels of bottles, by a remark that says so or by the name of their file.

    A label has no date: what was taken on a day is a sample.

    Parameters
    ----------
    said : fields of the rows.
    name : of the file.

    Returns
    -------
    "bottled" or "" for each row, and the field it was taken from.
    """
    dated = said["collected_on"].stated()
    remarks, _ = _label_words()
    noted = said["comment"].meant(_any_remark(), lambda text: "bottled" if _holds(text, remarks) else "")
    constant = TextColumn.constant("bottled" if names_labels(name) else "", len(dated))
    return first_stated({"comment": noted.where(dated, ""), "file name": constant.where(dated, "")})


def names_labels(name: str) -> bool:
    """Say whether the name of a file tells that the labels of bottles stand in it.

    Example
    -------
    >>> names_labels("bottle_labels"), names_labels("Etiketten-2026"), names_labels("labelled samples")
    (True, True, False)
    """
    _, names = _label_words()
    return not names.isdisjoint(key(name).replace("_", " ").replace(".", " ").replace("-", " ").split())


def _holds(text: str, phrases: frozenset[str]) -> bool:
    words = f" {' '.join(key(text).replace(chr(39), ' ').replace('’', ' ').split())} "
    return any(f" {phrase} " in words for phrase in phrases)


@lru_cache(maxsize=1)
def _label_words() -> tuple[frozenset[str], frozenset[str]]:
    grammar = heading_words()["stage_phrases"]
    return frozenset(key(words) for words in grammar["label remarks"]), frozenset(map(key, grammar["label files"]))


@lru_cache(maxsize=1)
def _any_remark() -> str:
    words = heading_words()["stage_phrases"]["label remarks"]
    last = {word for words_of in words for word in (words_of.split()[-1], key(words_of).split()[-1])}
    return "|".join(sorted(re.escape(word) for word in last))


def _of_texts(texts: TextColumn, *, label: bool) -> TextColumn:
    """Ask only the texts that hold one of the words: a column of labels says something else in every row."""
    return texts.meant(_any_word(), lambda text: stage_of(text, label=label))


def _of_both_sides(words: set[str]) -> bool:
    """Tell whether a text says "before and after" in one."""
    grammar = _grammar()
    return bool(words & grammar["before"] and words & grammar["after"])


def _parts(text: str) -> list[list[str]]:
    """Part a text at its punctuation into lists of words."""
    parts = (key(part).split() for part in _PARTS.split(text))
    return [words for words in parts if words]


def _named(words: list[str]) -> Iterator[tuple[str, int]]:
    """Find the phrases of one part, the longest that fits at every place, and how many characters each has.

    A phrase that is denied ("not treated") names no stage.
    """
    place = 0
    while place < len(words):
        for size in range(min(_longest(), len(words) - place), 0, -1):
            phrase = " ".join(words[place : place + size])
            if (meant := _phrase(phrase)) and _stands(meant, words, place, size):
                denied = place > 0 and words[place - 1] in _grammar()["not"]
                yield "" if denied else meant.stage, len(phrase)
                place += size - 1
                break
        else:
            yield from _at_the_end(words[place])
        place += 1


def _at_the_end(word: str) -> Iterator[tuple[str, int]]:
    """Find the phrase that ends a word of a script without blanks: 厨房原水 is raw water of the kitchen."""
    if not _UNSPACED.search(word):
        return
    for start in range(1, len(word) - 1):
        if (meant := _phrase(word[start:])) and meant.where == "anywhere":
            yield meant.stage, len(word) - start
            return


def _stands(meant: _Phrase, words: list[str], place: int, size: int) -> bool:
    alone = size == len(words)
    last = meant.where == "alone or last" and place + size == len(words)
    return meant.where == "anywhere" or alone or last


@lru_cache(maxsize=1)
def _grammar() -> dict[str, frozenset[str]]:
    return {name: frozenset(word_keys(words, "de")) for name, words in heading_words()["stage_phrases"].items()}


@lru_cache(maxsize=1)
def _stated_phrases() -> dict[str, _Phrase]:
    """Give the words and phrases that are listed with their stage, folded."""
    grammar = _grammar()
    places = dict.fromkeys(grammar["alone"], "alone") | dict.fromkeys(grammar["alone or last"], "alone or last")
    stated = {word: stage for word, stage in word_table("stages").items() if word not in grammar["never"]}
    # In a heading, "unfiltered" tells of the fraction that was measured.
    stated |= dict.fromkeys(grammar["unfiltered"], "raw")
    return {word: _Phrase(stage, places.get(word, "anywhere")) for word, stage in stated.items()}


@lru_cache(maxsize=8192)
def _phrase(text: str) -> _Phrase | None:
    """Read folded words that are listed, or a side of a device: "after (the) softener"."""
    if stated := _stated_phrases().get(text):
        return stated
    grammar, words = _grammar(), text.split()
    for end in range(1, len(words)):
        side, rest = " ".join(words[:end]), words[end:]
        if side not in grammar["before"] | grammar["after"]:
            continue
        devices = {" ".join(rest), " ".join(rest[1:]) if rest[0] in grammar["articles"] else ""}
        for names, behind in (("devices", "treated"), ("membranes", "permeate")):
            if devices & grammar[names]:
                return _Phrase("raw" if side in grammar["before"] else behind, "anywhere")
    return None


@lru_cache(maxsize=1)
def _longest() -> int:
    """Give the most words a phrase has."""
    most = {name: max(len(words.split()) for words in said) for name, said in _grammar().items() if said}
    sides, devices = max(most["before"], most["after"]), max(most["devices"], most["membranes"])
    return max(sides + 1 + devices, *(len(words.split()) for words in _stated_phrases()))


@lru_cache(maxsize=1)
def _any_word() -> str:
    """Build one pattern that every text with a stage in it matches, and few others."""
    words = {word for said in heading_words()["stages"].values() for word in said}
    grammar = heading_words()["stage_phrases"]
    words |= {*grammar["before"], *grammar["after"], *grammar["unfiltered"]}
    first = {re.escape(re.split(r"[ '’-]", word.casefold())[0]) for word in words}
    return "|".join(sorted(first | {key(word).split()[0] for word in words}))
