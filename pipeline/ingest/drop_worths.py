"""What one drop is worth, by a heading, "Drops GH (1 drop = 1 °dH)", or by a sentence above the table."""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from pipeline.notation.grammar import is_unit

DROP_NAMES: Final = (
    r"drops?|tropfen|gouttes?|goccia|gocce|gotas?|druppels?|kropl[aęei]|kropel|kapk[auy]|kapek|dråber?|droppar|droppe|"
    r"dråper?|滴"
)
# A count of drops written in the cell; both the regular expressions of Python and of Arrow read it.
DROP_WORDS: Final = rf"^\s*\d+(?:[.,]\d+)?\s*(?:tr\b|tr\.|(?:{DROP_NAMES})(?:\W|$))"
PER_DROP: Final = re.compile(
    r"[\s(\[]*(?:/|\b(?:per|pro|je|par|por|al|na|za)\b|毎|每)\s*(?:1 )?"
    rf"(?:{DROP_NAMES})(?![^\W\d_])[\s)\]]*",
    re.IGNORECASE,
)
_STATED: Final = re.compile(
    rf"[\s,;:]*[(\[]?\s*1\s*(?:{DROP_NAMES}|trpf\.?|tr\.?|gtt?\.?)\s*[=≙]\s*(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>[^()\[\]]+?)\s*[)\]]?\s*$",
    re.IGNORECASE,
)
_ONE_DROP: Final = re.compile(
    rf"(?<!\w)(?:1|one|an?|ein|eine?n?|une?|uno|una|een|en|jeden|jedna)\s*(?:{DROP_NAMES}|trpf\.?|tr\.?|gtt?\.?)"
    r"\s*(?:[=≙:]|is|ist|equals|entspricht|vaut|correspond à|équivaut à|vale|equivale a|odpowiada|motsvarar|svarer til)"
    r"\s*(?P<number>\d+(?:[.,]\d+)?)\s*(?P<rest>\S.*)$",
    re.IGNORECASE,
)
_VOLUME: Final = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:ml|cc|cm3|cm³)(?!\w)", re.IGNORECASE)
_UNIT_WORDS: Final = 3  # of the longest unit of a drop


class StatedDrop(NamedTuple):
    """A heading without what it says of a drop, and what that is: "1", "°dH"."""

    plain: str
    number: str
    unit: str


def stated_drop(text: str) -> StatedDrop | None:
    """Take the worth of a drop off a heading; None if it states none in a known unit.

    Example
    -------
    >>> stated_drop("GH Tropfen (1 Tr. = 0,5 °dH)"), stated_drop("drops GH (1 drop = 1 spoon)")
    (StatedDrop(plain='GH Tropfen', number='0,5', unit='°dH'), None)
    """
    found = _STATED.search(text)
    if found is None or not is_unit(found["unit"]):
        return None
    return StatedDrop(text[: found.start()], found["number"], found["unit"])


def kit_stated(sentence: str) -> dict[str, str]:
    """Read what a sentence says of a kit: fields of the rows, none where it says nothing of a drop.

    Example
    -------
    >>> kit_stated("GH/KH drops, 1 drop = 1 °dH in 5 mL")
    {'degree_per_drop': '1', 'degree_unit': '°dH', 'nominal_ml': '5'}
    >>> kit_stated("one drop of oil")
    {}
    """
    found = _ONE_DROP.search(sentence)
    if found is None:
        return {}
    words = found["rest"].split()
    sizes = range(min(_UNIT_WORDS, len(words)), 0, -1)
    units = (" ".join(words[:size]).rstrip(".,;)]") for size in sizes)
    unit = next((text for text in units if is_unit(text)), "")
    if not unit:
        return {}
    volume = _VOLUME.search(found["rest"]) or _VOLUME.search(sentence[: found.start()])
    kit = {"degree_per_drop": found["number"], "degree_unit": unit}
    return {**kit, "nominal_ml": volume[1]} if volume else kit
