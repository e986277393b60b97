"""Headings of numbers that are no results: limits, statistics of a period, uncertainties, identifiers."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

from pipeline.ingest.headings import read_heading
from pipeline.ingest.names import spaced
from pipeline.ingest.spellings import heading_words, key, word_keys, word_table
from pipeline.ingest.unit_text import unit_at_end

AVERAGE: Final = "an average"
COUNT: Final = "a number or a sum"
_ASIDE: Final = re.compile(r"\(.*?\)|\[.*?\]|\b(?:19|20)\d\d\b")
_MEASURING: Final = re.compile(r"[/°%‰]")  # a unit of results, not of length or volume
_UNIT_LIKE: Final = re.compile(r"[(\[][^()\[\]]*[/°%‰][^()\[\]]*[)\]]\s*$")
_LONGEST_PHRASE: Final = 3  # words


@lru_cache(maxsize=4096)
def statistic(heading: str) -> str:
    """Say which statistic or limit a whole heading names, "" if none; a year and what stands in brackets do not count.

    Example
    -------
    >>> statistic("Mittelwert 2024"), statistic("Maximum [mg/l]"), statistic("Werk Nord")
    ('an average', 'an extreme or a spread', '')
    """
    words = key(_ASIDE.sub(" ", heading))
    if words in word_keys(heading_words()["counts of samples"]) or _of_samples(heading):
        return COUNT
    fillers = word_keys(heading_words()["statistic fillers"])
    plain = " ".join(word for word in words.split() if word not in fillers)
    found = word_table("row_words").get(words, "") or word_table("row_words").get(plain, "")
    return "" if found in ("a method", "units") else found


def _of_samples(heading: str) -> bool:
    """Tell whether a heading counts samples that keep or break a rule: "% compliance", "No. of exceedances"."""
    return "%" in heading or not word_keys(heading_words()["compliance words"]).isdisjoint(key(heading).split())


def _of_law(heading: str) -> bool:
    """Tell whether a heading names the limit of a law by its number: "NR140 Preventive Action Limit"."""
    fillers = word_keys(heading_words()["row_fillers"])
    words = key(_ASIDE.sub(" ", heading)).split()
    named = " ".join(word for word in words if word not in fillers and not any(sign.isdigit() for sign in word))
    return word_table("row_words").get(named) == "a limit value"


@lru_cache(maxsize=4096)
def statistic_of_known(heading: str) -> str:
    """Say which statistic or limit of a known quantity a heading names ("Calcium min", "Grenzwert Nitrat").

    A sum or a number is left to its quantity: "Total phosphorus" is a result.
    """
    for part, rest in _parts(heading):
        found = word_table("row_words").get(key(part), "")
        if found not in ("", "a method", "units", COUNT) and read_heading(rest).meanings:
            return found
    return ""


@lru_cache(maxsize=4096)
def uncertain(heading: str) -> bool:
    """Say whether a heading names an uncertainty."""
    words = f" {key(heading)} "
    return any(f" {word} " in words for word in word_keys(heading_words()["uncertainty words"]))


@lru_cache(maxsize=4096)
def identifying(heading: str, *, whole: bool = False) -> bool:
    """Say whether the words of a heading belong to an identifier, a place, a time or a counter.

    Parameters
    ----------
    heading : as written; one that ends in a unit of results identifies nothing.
    whole : every word must be such a word ("Nr."), not just one ("Probe Nr. 17").
    """
    if measuring(heading):
        return False
    known = word_keys(heading_words()["identifier words"], "de")
    endings = tuple(heading_words()["identifier endings"])
    said = [word in known or word.endswith(endings) for word in key(spaced(heading)).split()]
    return bool(said) and (all(said) if whole else any(said))


@lru_cache(maxsize=4096)
def counting(heading: str) -> bool:
    """Say whether what makes a heading an identifier is a word that a result may have as well: "KMnO4 index"."""
    known = word_keys(heading_words()["identifier words"], "de")
    counters = word_keys(heading_words()["counting words"])
    named = [word for word in key(spaced(heading)).split() if word in known]
    return bool(named) and all(word in counters for word in named)


def measuring(heading: str, unit: str = "") -> bool:
    """Say whether a heading, or a row of units below it, states a unit of results, maybe one that is not known."""
    return bool(_MEASURING.search(unit or unit_at_end(heading)[1]) or _UNIT_LIKE.search(heading))


@lru_cache(maxsize=4096)
def beside_results(heading: str) -> bool:
    """Say whether a heading names what stands beside results: an uncertainty, a limit, a sum of ions, a class."""
    return uncertain(heading) or _of_law(heading) or any(_ignored(part) for part, _ in _parts(heading))


def _ignored(part: str) -> bool:
    """Say whether the words of a part are a known heading that no result stands under; one word may mean anything."""
    roles = {meaning.code for meaning in read_heading(part).meanings if meaning.kind == "role"}
    return bool(roles & {"limit", "quantitation_limit"}) or ("ignored" in roles and " " in part)


def _parts(heading: str) -> list[tuple[str, str]]:
    """Divide a heading into one, two or three words of its beginning or end, and the rest."""
    words = heading.replace("_", " ").split()
    sizes = range(1, min(_LONGEST_PHRASE, len(words) - 1) + 1)
    ends = [(" ".join(words[-size:]), " ".join(words[:-size])) for size in sizes]
    brackets = [(inside, outside) for inside, outside in _bracketed(heading) if outside]
    return (
        ends + [(" ".join(words[:size]), " ".join(words[size:])) for size in sizes] + brackets + _before_unit(heading)
    )


def _bracketed(heading: str) -> list[tuple[str, str]]:
    return [
        (found[0].strip("()[]"), f"{heading[: found.start()]} {heading[found.end() :]}".strip())
        for found in re.finditer(r"\([^()]*\)|\[[^\[\]]*\]", heading)
    ]


def _before_unit(heading: str) -> list[tuple[str, str]]:
    """Divide what stands before a unit at the end: "Calcium min (mg/l)"."""
    name, unit = unit_at_end(heading)
    return _parts(name.strip()) if unit and name.strip() != heading else []
