"""Headings are taken apart exactly; what the table does not spell is not guessed."""

from __future__ import annotations

import pytest

from pipeline.ingest.headings import read_heading
from pipeline.ingest.meanings import known_spellings, own_form
from pipeline.ingest.spellings import exact_key, heading_words, key
from pipeline.ingest.unit_text import UnitText, split_unit
from schemas.columns import ANALYTES, OTHER_ANALYTES
from schemas.tables import ROW_FIELDS


def meaning(text: str) -> str:
    found = read_heading(text).chosen()
    return found.code if found else ""


# Words and units as national practice writes them (common practice): heading → quantity, unit, basis.
HEADINGS = [
    ("TH (°f)", "total_hardness", "°f", ""),
    ("Gesamthärte [°dH]", "total_hardness", "°dH", ""),
    ("Gesamthaerte [°dH]", "total_hardness", "°dH", ""),
    ("Ca mg/l", "calcium", "mg/l", ""),
    ("Sodiomg/L", "sodium", "mg/L", ""),
    ("Hydrogencarbonat_mg_L", "bicarbonate", "mg/L", ""),
    ("EC [uS/cm]", "conductivity", "uS/cm", ""),
    ("Alkalinity as CaCO3 (mg/L)", "alkalinity", "mg/L", "as CaCO3"),
    ("Nitrat als N", "nitrate", "", "as N"),
    ("Säurekapazität bis pH 4,3 (mmol/l)", "alkalinity", "mmol/l", ""),
    ("KS4,3", "alkalinity", "", ""),
    ("TAC (°f)", "alkalinity", "°f", ""),
    ("m-Wert", "alkalinity", "", ""),
    ("p-Wert", "phenolphthalein_alkalinity", "", ""),
    ("Alcalinità HCO3 mg/L", "bicarbonate", "mg/L", ""),
    ("silicates solubles (en mg/l de sio2)", "silica", "mg/l", "as SiO2"),
    ("NITRATOS (mg N-NO3/l)", "nitrate", "mg/l", "as N"),
    ("N_NO3_mg/L", "nitrate", "mg/L", ""),
    ("Dureza Cálcica (mg CaCO3/L)", "calcium_hardness", "mg/L", "as CaCO3"),
    ("CONDUCT_mS/cm", "conductivity", "mS/cm", ""),
    ("Durezza totale F°", "total_hardness", "F°", ""),
    ("Cloruri\n mg/L", "chloride", "mg/L", ""),
    ("Chlorid", "chloride", "", ""),
    ("Chlor", "free_chlorine", "", ""),
    ("cloro", "free_chlorine", "", ""),
    ("SILICA, DISSOLVED (MG/L AS SI02)", "silica", "MG/L", "as SiO2"),
    ("Hardheid", "total_hardness", "", ""),
    ("硬度", "total_hardness", "", ""),
    ("電気伝導率(mS/m)", "conductivity", "mS/m", ""),
    ("塩化物イオン", "chloride", "", ""),
    ("残留塩素", "free_chlorine", "", ""),
    ("Calcium (Ca)", "calcium", "", ""),
    ("B  [ug/L]", "boron", "ug/L", ""),
    ("DO(%)", "oxygen", "%", ""),
    ("Temp (F)", "temperature", "°F", ""),
    ("pH (U de pH)", "ph", "U de pH", ""),
    ("Datum", "collected_on", "", ""),
    ("Punto di prelievo / Entnahmepunkt", "sampling_point", "", ""),
]


@pytest.mark.common_practice
@pytest.mark.parametrize(("text", "code", "unit", "basis"), HEADINGS)
def test_a_heading_gives_quantity_unit_and_basis(text: str, code: str, unit: str, basis: str) -> None:
    heading = read_heading(text)

    assert (meaning(text), heading.unit, heading.basis) == (code, unit, basis)


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("Leitfähigkeit bei 20 °C [µS/cm]", "20"),
        ("Geleidendheid bij 25oC", "25"),
        ("CONDUCTIVITY, UMHOS/CM @ 25C", "25"),
        ("el. Leitfähigkeit (25 °C)", "25"),
    ],
)
def test_the_reference_temperature_is_split_off(text: str, at: str) -> None:
    assert meaning(text) == "conductivity"
    assert read_heading(text).at == at


@pytest.mark.parametrize(
    ("text", "affix", "stage"),
    [
        ("GH Tropfen", "drops", ""),
        ("drops KH", "drops", ""),
        ("KH ml used", "used_ml", ""),
        ("Calcium.rmk", "qualifier", ""),
        ("flagCa", "qualifier", ""),
        ("R00665", "qualifier", ""),
        ("KH n. Filter", "", "treated"),
        ("durezza prima del filtro", "", "raw"),
        ("GH Tr. nach Filter", "drops", "treated"),
    ],
)
def test_kit_words_remarks_and_stages_are_split_off(text: str, affix: str, stage: str) -> None:
    heading = read_heading(text)

    assert heading.meanings
    assert (heading.affix, heading.stage) == (affix, stage)


def test_the_time_zone_of_a_logger_stays_with_its_heading() -> None:
    assert meaning("Date Time, GMT-05:00") == "collected_on"
    assert read_heading("Date Time, GMT-05:00").time_zone == "GMT-05:00"


@pytest.mark.parametrize("text", ["NA", "CO", "Magnes.", "Härte (Calcium)", "HCO_ -", "CO_-2", "mg/l", "14", ""])
def test_what_is_not_spelled_in_the_table_is_not_guessed(text: str) -> None:
    assert not meaning(text)


def test_symbols_keep_their_case_where_it_matters() -> None:
    assert (meaning("Na"), meaning("NA")) == ("sodium", "")
    assert (meaning("Co"), meaning("CO")) == ("cobalt", "")


@pytest.mark.common_practice
def test_ta_is_phenolphthalein_alkalinity_only_beside_french_words() -> None:
    heading = read_heading("TA")

    assert heading.chosen(frozenset({"tac"})).code == "phenolphthalein_alkalinity"  # type: ignore[union-attr]
    assert heading.chosen(frozenset({"ph"})) is None


@pytest.mark.common_practice
def test_carbonate_hardness_beside_bicarbonate_is_the_capped_one() -> None:
    """A laboratory may cap the Karbonathärte at the hardness; the bicarbonate then tells the alkalinity."""
    heading = read_heading("Karbonathärte (°dH)")

    assert heading.chosen(frozenset()).code == "alkalinity"  # type: ignore[union-attr]
    assert heading.chosen(frozenset({"bicarbonate"})).code == "carbonate_hardness"  # type: ignore[union-attr]


def test_a_hardness_class_is_no_measurement() -> None:
    assert meaning("Härtebereich") == "ignored"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("mg/l CaCO3**", UnitText("mg/l", "as CaCO3")),
        ("mgN/L", UnitText("mg/L", "as N")),
        ("mg(Ca)/L", UnitText("mg/L", "as Ca")),
        ("mg/l Cl -", UnitText("mg/l", "as Cl")),
        ("uS/cm @25C", UnitText("uS/cm", "", "25")),
        ("mg_L", UnitText("mg/L")),
        ("-", UnitText()),
        ("ohne", UnitText()),
        ("unidades de pH", UnitText("unidades de pH")),
        ("red", None),
        ("Tropfen", None),
    ],
)
def test_units_are_split_from_bases(text: str, expected: UnitText | None) -> None:
    assert split_unit(text) == expected


def test_a_basis_that_repeats_the_ion_is_the_ion() -> None:
    assert own_form("calcium", "as Ca") == "as ion"
    assert own_form("total_hardness", "as Ca") == "as Ca"
    assert own_form("nitrate", "as N") == "as N"


def test_no_spelling_means_two_things() -> None:
    plain = {spelling: [one for one in found if not one.beside] for spelling, found in known_spellings().items()}

    assert {spelling for spelling, found in plain.items() if len(found) > 1} == set()


def test_every_meaning_is_known_to_the_schemas() -> None:
    codes = {
        kind: {one.code for found in known_spellings().values() for one in found if one.kind == kind}
        for kind in ("analyte", "field")
    }

    assert codes["analyte"] == {*ANALYTES, *OTHER_ANALYTES}
    assert codes["field"] <= set(ROW_FIELDS)
    assert len(known_spellings()) >= 600


def test_every_spelling_of_the_table_is_found() -> None:
    groups = heading_words()["groups"]

    for group in groups:
        kind = next(name for name in ("analyte", "field", "role") if name in group)
        for word in (*(w for words in group["headings"].values() for w in words), *group.get("exact", ())):
            assert any(one.code == group[kind] for one in read_heading(word).meanings), word


def test_keys_fold_accents_case_and_punctuation_but_not_japanese_marks() -> None:
    assert key("Säurekapazität\n(pH 4,3)") == "saurekapazitat ph 4 3"
    assert exact_key("Mg²⁺") == "Mg2"
    assert key("ガス") != key("カス")
