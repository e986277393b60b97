"""Which treatment a text of a record or a register means."""

from __future__ import annotations

from typing import Final

import pandas as pd

from pipeline.checks.pairs import kind
from pipeline.treat.processes.treatments import TREATMENTS

NONE: Final = "none"
_NOTHING: Final = ("none", "no", "nothing", "keine", "keiner", "aucun", "aucune", "nessuno", "nessuna", "ninguno",
                   "ninguna", "geen")  # fmt: skip
# Small devices and what else the register of treatments knows by another word than its name; the first that occurs.
_DEVICES: Final = {
    "resin bag": r"resin (?:bag|sachet)|\bsachet|harzbeutel|filterbeutel|beutel im tank|bustina|bolsa de resina",
    "tank cartridge": r"tank[ -]?(?:cartridge|filter|patrone)|cartouche (?:de|du|dans le) réservoir"
    r"|cartuccia (?:del|nel) serbatoio|filtro del? (?:serbatoio|depósito)",
    "jug": r"\bjug\b|\bpitcher\b|filterkanne|kannenfilter|tischwasserfilter|carafe filtrante|caraffa|jarra",
    "demineraliser": r"\bdemineral|\bdeioni|\bvollentsalz|\bdéminéral|\bdesmineral",
    "calcite contact": r"calcite (?:bed|contact)|marmorkies|\bhydro-?kalk",
}


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
    if plain in _NOTHING:
        return NONE
    words = pd.Series([plain], dtype="str")
    device = next((name for name, pattern in _DEVICES.items() if words.str.contains(pattern, regex=True).iloc[0]), "")
    return device or str(kind(words).iloc[0])
