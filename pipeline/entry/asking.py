"""Ask for the readings of a visit one after the other, with the last visit beside each."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import click

from pipeline.entry.typed import METERED, TITRATED, metered, titrated
from pipeline.errors import KettlestoneError
from pipeline.visible import echo
from pipeline.words import capitalised

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.kits import Kit

_COLUMNS: Final = {
    "hardness": "total_hardness_mg_l_caco3",
    "alkalinity": "alkalinity_mg_l_caco3",
    "ec": "conductivity_us_cm_25c",
    "tds": "tds_mg_l",
    "ph": "ph",
    "temperature": "temperature_c",
    "chlorine": "free_chlorine_mg_l",
    "chloride": "chloride_mg_l",
}


def asked_readings(before: pd.DataFrame | None, kit: Kit, given: dict[str, str]) -> dict[str, str]:
    """Ask for every reading; an empty answer means not measured, one that cannot be is asked for again.

    Parameters
    ----------
    before : earlier samples of the same point, the oldest first; None where there are none.
    kit : whose drops are counted.
    given : what is known already and not asked for.

    Returns
    -------
    text of every reading that was given.
    """
    echo(f"Kit: {kit.title}. Press Enter for what was not measured.", err=True)
    answers = dict(given)
    for word in (*TITRATED, *METERED):
        if word not in answers and (text := _answer(word, _question(word, before, kit), kit)):
            answers[word] = text
    return answers


def _answer(word: str, question: str, kit: Kit) -> str:
    while True:
        text = str(click.prompt(question, default="", show_default=False, err=True)).strip()
        if not text:
            return ""
        try:
            titrated(word, text, kit) if word in TITRATED else metered(word, text)
        except KettlestoneError as error:
            echo(str(error).split(".\n", maxsplit=1)[0] + ".", err=True)
            continue
        return text


def _question(word: str, before: pd.DataFrame | None, kit: Kit) -> str:
    name, unit = ("", "") if word in TITRATED else METERED[word][:2]
    asked = f"{word.capitalize()}, drops" if word in TITRATED else f"{capitalised(name)}{unit and f', {unit}'}"
    last = None if before is None else before.dropna(subset=[_COLUMNS[word]]).tail(1)
    if word == "ph":
        asked = "pH"
    if last is None or last.empty:
        return asked
    value, when = float(last[_COLUMNS[word]].iloc[0]), last["collected_at"].iloc[0]
    if math.isnan(value):
        return asked
    told = f"{value / kit.drop_mg_l:.3g} drops, {value:.0f} mg/L" if word in TITRATED else f"{value:.4g}"
    return f"{asked} (last {told}{f' on {when:%Y-%m-%d}' if when == when else ''})"  # noqa: PLR0124 - NaT is not itself
