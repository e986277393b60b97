"""Which treatments a text speaks of, in the languages of the input, and in which order the water meets them."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

REMINERALISER, MEMBRANE = "remineraliser", "reverse osmosis"
# Words for each stage. What a pattern names is taken out of the text before the next one is asked, so that the
# carbon of a decarboniser is none, and what takes minerals out adds none.
_STAGE_WORDS: Final[dict[str, str]] = {
    "demineraliser": r"\b(?:de|des|dé)mineral\w*|\bdéminéral\w*|\bentmineral\w*|\bd[eé]s?ioni\w*"
    r"|\bvollentsalz\w*|\bve[- ](?:patrone|kartusche|anlage)|mixed[- ]bed|mischbett\w*|脱塩|純水|去离子",
    REMINERALISER: r"re-?mineral\w*|reminéral\w*|rimineral\w*|aufhärt\w*|calcite\b|calcit\b|mineralisier\w*"
    r"|mineral(?:[- ]?(?:cartridge|filter|stage|kartusche|patrone|filterkartusche))|mineraal(?:patroon|filter)"
    r"|minerali[sz](?:ing|er|ation|atie)\w*|minéralisa\w*|mineralizza\w*|mineraliza\w*"
    r"|(?:cartouche|cartuccia|cartucho)(?: (?:de|di|à|con))? (?:minéra|minera)\w*"
    r"|ミネラル\w*|再?矿化\w*|添加矿物",
    MEMBRANE: r"[oó]smo[sz]\w*|\br\.?o\b|umkehr\w*|\buo\b|\bmembran\w*|逆浸透\w*|反渗透\w*|逆滲透\w*",
    "magnesium exchanger": r"magn[eé]s\w*|マグネシウム\w*|镁",
    "buffered decarboniser": r"(?:buffered|gepuffert\w*|tamponné\w*|tamponat\w*|tamponad\w*)(?:\W+\w*carbon\w*)?",
    "decarboniser": r"\w*decarbon\w*|dekarbon\w*|ent[ck]arbon\w*|weak[- ]acid\w*|décarbon\w*|descarbon\w*|ontcarbon\w*"
    r"|\bwac\b|(?<!\w)h\+(?= )|hydrogen[- ](?:cycle|form)|schwach\s*saue?r\w*|zwak\s*zure?\w*|faiblement acide\w*"
    r"|debolmente acid\w*|débilmente ácid\w*|fracamente ácid\w*|(?:cationique|acide) faible\w*|脱炭酸\w*|弱酸\w*",
    "softener": r"soften\w*|enthärt\w*|adouciss\w*|addolci\w*|descalcific\w*|ablandador\w*|onthard\w*|waterverzacht\w*"
    r"|amaciador\w*|abrandador\w*|zmiękcz\w*|změkčov\w*|avherd\w*|blødgør\w*|bløtgjør\w*|avhärd\w*"
    r"|strong[- ]acid\w*|軟水\w*|软水\w*|软化\w*",
    "carbon": r"carbon\w*|\w*kohle\w*|charbon\w*|carbone\w*|carbón\w*|carvão\w*|koolstof\w*|actieve kool\w*"
    r"|\bwęg(?:iel|l)\w*|\buhl[íi]\w*|aktivt? kul\w*|活性炭\w*",
}
# The water meets them in this order, whatever the order of the words.
_FLOW: Final = (
    "carbon", "softener", "decarboniser", "buffered decarboniser", "magnesium exchanger", MEMBRANE, "demineraliser",
    REMINERALISER,
)  # fmt: skip
TRAINS: Final[tuple[tuple[str, ...], ...]] = (
    ("carbon", "softener"),
    ("carbon", "decarboniser"),
    ("carbon", "buffered decarboniser"),
    ("carbon", "magnesium exchanger"),
    ("carbon", MEMBRANE),
    ("carbon", MEMBRANE, REMINERALISER),
    ("carbon", "softener", MEMBRANE),
    ("carbon", "softener", MEMBRANE, REMINERALISER),
    ("softener", "decarboniser"),
    ("softener", MEMBRANE),
    ("softener", MEMBRANE, REMINERALISER),
    (MEMBRANE, REMINERALISER),
    ("demineraliser", REMINERALISER),
)
JOINT: Final = " + "
# Which of several that make no known train tells most of the water.
_TELLING: Final = (
    MEMBRANE, "demineraliser", "buffered decarboniser", "decarboniser", "softener", "magnesium exchanger",
    REMINERALISER, "carbon",
)  # fmt: skip
_ADDS_BACK: Final = f"{MEMBRANE}{JOINT}{REMINERALISER}"


@lru_cache(maxsize=4096)
def stages_named(text: str) -> tuple[str, ...]:
    """Name the stages a text speaks of, in the order in which the water meets them.

    Parameters
    ----------
    text : as a record or a register has it.

    Example
    -------
    >>> stages_named("RO + mineral cartridge"), stages_named("Umkehrosmose hinter dem Enthärter")
    (('reverse osmosis', 'remineraliser'), ('softener', 'reverse osmosis'))
    """
    rest, found = text.casefold(), set()
    for stage, pattern in _STAGE_WORDS.items():
        rest, times = re.subn(pattern, " ", rest)
        found |= {stage} if times else set()
    if {"magnesium exchanger", MEMBRANE} <= found:  # what a membrane is followed by adds magnesium, it exchanges none
        found = found - {"magnesium exchanger"} | {REMINERALISER}
    return tuple(stage for stage in _FLOW if stage in found)


def kind_named(text: str) -> str:
    """Name the treatment or the train of treatments a text speaks of, "" where it names none.

    Example
    -------
    >>> [kind_named(text) for text in ("reverse osmosis with remineralisation", "Aktivkohle", "jug")]
    ['reverse osmosis + remineraliser', 'carbon', '']
    """
    stages = stages_named(text)
    if stages in TRAINS or len(stages) < 2:  # noqa: PLR2004 - one stage is no train
        return JOINT.join(stages)
    return next(stage for stage in _TELLING if stage in stages)


def judged_as(kind: str) -> str:
    """Name the kind whose pattern a pair of samples is held against: a train shows what its last great stage does.

    Example
    -------
    >>> judged_as("carbon + decarboniser"), judged_as("softener + reverse osmosis + remineraliser")
    ('decarboniser', 'reverse osmosis + remineraliser')
    """
    stages = kind.split(JOINT)
    if REMINERALISER in stages and len(stages) > 1:
        return _ADDS_BACK
    if "demineraliser" in stages or stages == ["softener", "decarboniser"]:
        return ""
    return stages[-1]
