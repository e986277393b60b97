"""Blanks, standards, duplicates and spikes are known by their words; places of the same name are waters."""

from __future__ import annotations

import pytest

from pipeline.ingest.control_words import control_kind

KNOWN = {
    "blank": "Feldblindwert 3|Lab blank|Method Blank (MB-1)|BLK|Blanc 2|blanc de terrain|Bianco reagenti|"
    "Blanco de campo|blanco nr 3|branco de campo|Slepý vzorek|ślepa próba|空白样1|ブランク|Labor-Blindwert",
    "standard": "KCl 1413 µS/cm|Standard 100 mg/L CaCO3|pH 7 buffer|Puffer pH 4,01|QC-2025-03|"
    "Leitfähigkeitsstandard 1413|CHK Standard 100|solution étalon 84|Tampone pH 7|Patrón 100 mg/L|"
    "ijkoplossing 1413|质控样|標準液|LCS-1",
    "duplicate": "S-12 dup|S1-dup 2|Hotel Sonne Doppelbestimmung|doublon P3|Duplicado 4|duplo|平行样|S-3 Duplikat",
    "spike": "KD-014 spike|matrix spike S-4|S-4 matrix spike duplicate|Probe 7 aufgestockt|ajout dosé|加标",
}
WATERS = (
    "Mont Blanc|Casa Blanca|Rio Branco|Café Blank|Buffer tank|Pufferspeicher|Montréal QC|Spike Island|Standard tap|"
    "Standard Hotel|Enthärter KCl|Duplex house|Bianchi|Kontrolle Bar|S-12|kitchen tap|Weisser Brunnen|São Branco"
)


@pytest.mark.common_practice
@pytest.mark.parametrize(("kind", "text"), [(kind, text) for kind, texts in KNOWN.items() for text in texts.split("|")])
def test_a_control_is_known_by_its_words(kind: str, text: str) -> None:
    assert control_kind(text) == kind


@pytest.mark.parametrize("text", WATERS.split("|"))
def test_a_name_that_holds_such_a_word_is_a_water(text: str) -> None:
    assert control_kind(text) == ""


@pytest.mark.parametrize(
    ("text", "kind"),
    [("conductivity standard 1413", "standard"), ("MS", "spike"), ("Fremder Blank", "blank"), ("drinking water", "")],
)
def test_in_a_column_of_kinds_one_word_is_enough(text: str, kind: str) -> None:
    assert control_kind(text, of_kinds=True) == kind
