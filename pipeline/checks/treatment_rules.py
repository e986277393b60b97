"""The rules of all kinds of treatment, in the order in which they explain a pair of samples."""

from __future__ import annotations

from typing import Final

from pipeline.checks import fingerprints
from pipeline.checks.fingerprints import TreatmentRule

_ADDS_BACK: Final = "reverse osmosis + remineraliser"
_LOWERING: Final = ("", "decarboniser", "buffered decarboniser", "softener", "reverse osmosis")


def _all_kept(quantity: str, kinds: tuple[str, ...], reason: str, weighed: str = "") -> TreatmentRule:
    return TreatmentRule(
        f"{quantity} changed",
        kinds,
        "hold",
        quantity,
        f"{reason}: kind, label or instrument is wrong",
        fingerprints.kept(quantity),
        weighed=weighed,
    )


# In order: what explains a pair best comes first.
TREATMENT_RULES: Final[tuple[TreatmentRule, ...]] = (
    TreatmentRule(
        "labels of raw and treated may be swapped",
        _LOWERING,
        "hold",
        "hardness",
        "Taken the other way round the pair fits; ask which bottle is which, nothing was swapped",
        fingerprints.swapped,
        both=True,
    ),
    TreatmentRule(
        "raw and treated are exactly equal",
        (*_LOWERING, "magnesium exchanger", "remineraliser", _ADDS_BACK),
        "note",
        "hardness or alkalinity",
        "The bypass is open, the medium is exhausted, or one bottle was measured twice",
        fingerprints.unchanged,
    ),
    TreatmentRule(
        "less than the bypass lets through",
        ("decarboniser",),
        "hold",
        "alkalinity",
        "The bypass was closed during the test or is not what is recorded; retest",
        fingerprints.through_bypass("alkalinity"),
    ),
    TreatmentRule(
        "less than the bypass lets through",
        ("softener",),
        "hold",
        "hardness",
        "The bypass was closed during the test or is not what is recorded; retest",
        fingerprints.through_bypass("hardness"),
    ),
    TreatmentRule(
        "hardness and alkalinity do not fall together",
        ("decarboniser",),
        "hold",
        "hardness",
        "A decarboniser takes as much of one as of the other: kind, label or count is wrong",
        fingerprints.equal_share,
        weighed="total_hardness",
    ),
    _all_kept("sodium", ("decarboniser", "carbon", "magnesium exchanger"), "It does not touch sodium"),
    _all_kept(
        "chloride",
        ("decarboniser", "buffered decarboniser", "softener", "carbon", "magnesium exchanger"),
        "It does not touch chloride",
    ),
    _all_kept("alkalinity", ("softener", "carbon"), "It does not touch alkalinity", "alkalinity"),
    _all_kept("hardness", ("carbon",), "It does not touch hardness", "total_hardness"),
    _all_kept("conductivity", ("carbon",), "It keeps conductivity", "conductivity"),
    TreatmentRule(
        "conductivity changed",
        ("softener",),
        "hold",
        "conductivity",
        "Sodium for calcium and magnesium makes no more of a difference: kind, label or instrument is wrong",
        fingerprints.softened_conductivity,
        weighed="conductivity",
    ),
    TreatmentRule(
        "sodium does not answer for the hardness removed",
        ("softener",),
        "hold",
        "sodium",
        "0.46 mg of sodium comes for every mg of hardness: kind or label is wrong",
        fingerprints.sodium_gain,
    ),
    TreatmentRule(
        "hardness rose",
        ("softener", "decarboniser", "buffered decarboniser", "reverse osmosis"),
        "hold",
        "hardness",
        "This treatment cannot add hardness: label or reading is wrong",
        fingerprints.not_more("hardness"),
        weighed="total_hardness",
    ),
    TreatmentRule(
        "hardness rose",
        ("magnesium exchanger",),
        "hold",
        "hardness",
        "An exchanger adds no hardness: label or reading is wrong",
        fingerprints.not_more("hardness"),
    ),
    TreatmentRule(
        "conductivity did not fall with hardness",
        ("reverse osmosis",),
        "hold",
        "conductivity",
        "A membrane lowers both; this looks like a softener, or one reading is wrong",
        fingerprints.membrane,
        weighed="conductivity",
    ),
    TreatmentRule(
        "hardness fell",
        ("remineraliser",),
        "hold",
        "hardness",
        "A remineraliser adds hardness: the labels may be swapped",
        fingerprints.not_less("hardness"),
        both=True,
    ),
    TreatmentRule(
        "alkalinity fell",
        ("remineraliser",),
        "hold",
        "alkalinity",
        "A remineraliser takes no alkalinity: the labels may be swapped",
        fingerprints.not_less("alkalinity"),
        both=True,
    ),
    TreatmentRule(
        "calcium rose",
        ("magnesium exchanger",),
        "hold",
        "calcium",
        "It exchanges calcium for magnesium: label or reading is wrong",
        fingerprints.not_more("calcium"),
    ),
    TreatmentRule(
        "the treatment takes no hardness out",
        ("decarboniser", "buffered decarboniser", "softener", "reverse osmosis"),
        "note",
        "hardness",
        "The medium is exhausted or the bypass is open: a fault of the treatment, not of the data",
        fingerprints.nothing_taken,
    ),
    TreatmentRule(
        "pH is very low",
        ("", "decarboniser", "buffered decarboniser", "reverse osmosis"),
        "note",
        "pH",
        "A new filter or a first draw; flush and repeat",
        fingerprints.unflushed,
    ),
    TreatmentRule(
        "pH rose though alkalinity fell",
        ("decarboniser", "buffered decarboniser", "reverse osmosis"),
        "note",
        "pH",
        "Carbon dioxide left an open cup; read pH at the outlet at once",
        fingerprints.open_cup,
    ),
    TreatmentRule(
        "free chlorine behind carbon",
        ("carbon", "decarboniser", "buffered decarboniser", "reverse osmosis", _ADDS_BACK),
        "note",
        "free chlorine",
        "The carbon is spent or bypassed: a fault of the treatment, not of the data; change it",
        fingerprints.chlorine,
    ),
)
