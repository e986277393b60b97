"""Which treatment a text of a record or a register means."""

from __future__ import annotations

import re
from typing import Final

from pipeline.checks.treatment_names import JOINT, kind_named
from pipeline.treat.processes.treatments import TREATMENTS

NONE: Final = "none"
_NOTHING: Final = ("none", "no", "nothing", "no treatment", "kein", "keine", "keiner", "keins", "ohne", "nichts",
                   "aucun", "aucune", "sans", "rien", "nessuno", "nessuna", "niente", "senza", "ninguno", "ninguna",
                   "nada", "sin", "geen", "zonder", "niets", "brak", "なし", "無し", "无")  # fmt: skip
# "kein Filter", "sin tratamiento", "no treatment fitted": a word for nothing before a word for a device.
_WITHOUT: Final = re.compile(
    r"(?:no|without|keine?|ohne|aucune?|pas de|sans|nessuna?|nessun|senza|ningun[oa]?|ningún|sin|geen|zonder|sem|bez)"
    r" (?:water ?)?(?:filter\w*|filtre|filtro|filtra|treatment|behandlung|aufbereitung|wasseraufbereitung"
    r"|(?:water)?behandeling|traitement|trattamento|tratamiento|tratamento|device|gerät)(?: fitted| installed)?"
)
# A filter, and nobody knows what it takes out: which kind it is has to be asked.
_SOME_FILTER: Final = re.compile(
    r"(?:water|tap|kitchen|inline)?[ -]?filters?(?: system| cartridge)?|(?:wasser|trinkwasser)filter(?:system|anlage)?"
    r"|filterkartusche|filterpatrone|filtre(?: à eau)?|filtro(?: (?:per l'|dell'|d')?acqua| (?:de|para) agua)?"
    r"|(?:water)?filter(?:systeem|patroon)?|浄水器|净水器|滤水器"
)
# Small devices and what else the register of treatments knows by another word than its name; the first that occurs.
_DEVICES: Final = {
    "resin bag": r"resin (?:bag|sachet)|\bsachet|harzbeutel|filterbeutel|beutel im tank|bustina|bolsa de resina",
    "tank cartridge": r"tank[ -]?(?:cartridge|filter|patrone)|cartouche (?:de|du|dans le) réservoir"
    r"|tank(?:kartusche|filterkartusche)|cartuccia (?:del|nel) serbatoio|filtro del? (?:serbatoio|depósito)",
    "jug": r"\bjug\b|\bpitcher\b|filterkann[ea]|kannenfilter|wasserkanne|tisch(?:wasser)?filter"
    r"|(?:carafe|cruche|pichet) (?:filtrante|à filtre)|caraffa|brocca filtrante|\bjarr[ao]\b|(?:filter|water)kan\b"
    r"|konvice|kanvica|dzban\w*|filterkande|filtermugge|浄水ポット|ポット型",
    "demineraliser": r"\bdemineral|\bdeioni|\bvollentsalz|\bdéminéral|\bdesmineral",
    "calcite contact": r"calcite (?:bed|contact)|marmorkies|\bhydro-?kalk",
}


def some_filter(text: str) -> bool:
    """Say whether a text names a filter and not what it does.

    Example
    -------
    >>> some_filter("Wasserfilter"), some_filter("Aktivkohlefilter"), some_filter("filtre à eau")
    (True, False, True)
    """
    return _SOME_FILTER.fullmatch(" ".join(text.casefold().split())) is not None


def treatment_meant(text: str) -> str:
    """Name the treatment of the register that a text means.

    Parameters
    ----------
    text : as a person wrote it, in any of the languages of the input.

    Returns
    -------
    a name of `TREATMENTS`; "none" where nothing is fitted, "" where the text names no treatment that is known.

    Example
    -------
    >>> [treatment_meant(text) for text in ("jug filter", "Entkarbonisierer", "keine", "magic stone")]
    ['jug', 'decarboniser', 'none', '']
    """
    plain = " ".join(text.casefold().split())
    if plain in TREATMENTS:
        return plain
    if plain in _NOTHING or _WITHOUT.fullmatch(plain):
        return NONE
    if JOINT in (meant := kind_named(plain)):
        return meant
    device = next((name for name, pattern in _DEVICES.items() if re.search(pattern, plain)), "")
    return device or meant
