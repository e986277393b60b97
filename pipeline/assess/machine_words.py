"""Which kind of machine a text describes, by the words of eight languages: how many boilers, or what else heats."""

from __future__ import annotations

import re
from typing import Final

_TWO: Final = (
    r"(?:two|2|double|dual|twin|zwei|doppel|beide|deux|due|doppi[ao]|dos|doble|twee|dubbele?"
    r"|ダブル|ツイン|デュアル|双|两个?)"
)
_ONE: Final = r"(?:one|1|single|ein|einzel|une?|mono|una|uno|sola|singola|een|één|enkele?|シングル|单|单个)"
_BOILER: Final = (
    r"(?:boilers?|boilern?|(?:dampf|kaffee)?kessel(?:n|s|maschine|gerät)?|kesselig\w*|boilerig\w*|chaudières?"
    r"|caldai[ae]|calderas?|ketels?|ボイラー?|锅炉)"
)
_JOINED: Final = r"[\s\-]*(?:(?:separate|getrennte|séparées?|separate|separati|separadas|aparte)\s+)?"
# What heats the water, in the order in which it tells: a lever machine has a boiler too.
_KINDS: Final[dict[str, str]] = {
    "combi steam": r"\b(?:combi|combined)[- ]?(?:steam\w*|ovens?)\b|kombidampf\w*|kombidämpf\w*|konvektomat"
    r"|\bfours? mixtes?\b"
    r"|\bforn[oi] (?:misto|misti|combinat[oi])\b|\bhornos? (?:mixto|combinado)s?\b|combisteamer|combi-?stoom\w*"
    r"|スチームコンベクション|スチコン|蒸烤箱",
    "vending": r"\bvending\b|(?:getränke|verkaufs|verpflegungs|münz)automat\w*|\bdistributeurs? (?:automatiques?|de)"
    r"|\bdistributor[ei] automatic[oi]|expendedora|(?:verkoop|dranken|koffie)automaat|自動販売機|自动售货|售货机",
    "lever": r"\blevers?\b|handhebel\w*|hebelmaschine\w*|\blevier\b|\ba leva\b|\bpalanca\b|hefboom\w*|handhendel\w*"
    r"|レバー|拉杆|拉霸",
    "bean-to-cup": r"\bbean[- ]to[- ]cup\b|\bsuper[- ]?automatic\w*|kaffeevollautomat\w*|\bvollautomat\w*"
    r"|\b(?:à|avec) (?:broyeur|grains)\b|superautomát\w*|superautomátic\w*|super-?automatica|volautomaat\w*"
    r"|volautomatisch\w*|全自動|全自动",
    "heat exchanger": r"\bheat[- ]?exchang\w*|\bh\.?x\b|wärmetausch\w*|wärmeübertrag\w*|zweikreis\w*"
    r"|\béchangeurs?\b|scambiatore\w*|intercambiador\w*|warmtewissel\w*|熱交換\w*|热交换\w*",
    "dual boiler": rf"(?<!\w){_TWO}{_JOINED}(?:\w+ )?{_BOILER}|(?:ボイラー?|锅炉)(?:が|は)?(?:2|二|两)",
    "thermoblock": r"\bthermo[- ]?(?:blo(?:ck|k|c)|coil)\w*|\btermoblo\w*|durchlauferhitzer"
    r"|サーモブロック|热块|加热块",
    "single boiler": rf"(?<!\w){_ONE}{_JOINED}(?:\w+ )?{_BOILER}",
    "kettle": r"\bkettles?\b|wasserkocher|\bbouilloires?\b|\bbollitor[ei]\b|\bhervidor\w*|waterkoker\w*"
    r"|ケトル|電気ポット|电水壶|水壶",
    "brewer": r"\b(?:batch|filter|drip|coffee|airpot|pour-?over)[- ]?(?:coffee[- ]?)?(?:brewer|machine|maker)s?\b"
    r"|filterkaffee\w*|kaffeebrüher|\bcafetière (?:à )?filtre\b|\bmacchin[ae] (?:da caffè )?(?:a filtro|filtro)\b"
    r"|\bcafetera de (?:filtro|goteo)\b|filterkoffie\w*|filterapparaat|ドリップ|滴滤",
}
WHOLE_KINDS: Final = ("combi steam", "vending", "lever", "bean-to-cup")
"""Kinds that say what a machine is, whatever heats its water."""
_HEATED: Final = ("heat exchanger", "dual boiler", "thermoblock", "single boiler")
_NEGATION: Final = re.compile(r"\b(?:no|not|non|without|kein|keine|nicht|ohne|sans|pas|senza|sin|geen|zonder)\b")


def machine_described(text: str) -> str:
    """Name the kind of machine that a text describes, "" where it describes none.

    Parameters
    ----------
    text : what a record says of a machine.

    Returns
    -------
    name of a built-in machine; "" also where two ways of heating are named.

    Example
    -------
    >>> [machine_described(text) for text in ("two-boiler espresso", "machine à deux chaudières", "oven")]
    ['dual boiler', 'dual boiler', '']
    >>> machine_described("lever machine with one boiler"), machine_described("kein Wärmetauscher")
    ('lever', '')
    """
    small = " ".join(text.casefold().split())
    if _NEGATION.search(small):
        return ""
    named = [kind for kind, pattern in _KINDS.items() if re.search(pattern, small)]
    several = len([kind for kind in named if kind in _HEATED]) > 1 and named[0] in _HEATED
    return "" if several or not named else named[0]
