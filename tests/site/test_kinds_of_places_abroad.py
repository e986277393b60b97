"""Kinds of places as people bring them in four languages: a blend, a jug, a steam oven, bottles, a worn filling."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.site.answer import answer_of
from pipeline.store.database import Store
from pipeline.treat.processes.naming import treatment_meant

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.common_practice

TODAY = date(2026, 12, 1)
FILES = {
    "sites.csv": """\
client,site,country,machine,treatment,litres per day,drain,plumbed
Alba,Torrefazione,IT,due caldaie,osmosi inversa con miscelazione,90,sì,sì
Lac,Cuisine,FR,four mixte vapeur,osmose inverse,120,oui,oui
Nord,Büro,DE,Vollautomat,Tischfilter,8,nein,nein
Sur,Vending,ES,máquina expendedora,cartucho descarbonatador,30,no,sí
Crumb,Ovens,GB,combi steamer,carbon,150,yes,yes
Wheels,Cart,GB,lever,,12,no,no
Quelle,Theke,CH,dual boiler,none,45,no,yes
""",
    "treatments.csv": """\
Client;Site;Treatment;Capacity;Capacity unit;Installed on;Bypass %
Sur;Vending;cartucho descarbonatador;8000;°dH·L;2026-10-05;35
""",
    "analisi.csv": """\
Cliente;Sede;Campione;Data;Tipo;Durezza totale (°f);Alcalinità (mg/L CaCO3);Conducibilità (µS/cm);pH
Alba;Torrefazione;TA-1;05/11/2026;acqua di rete;31,0;240;640;7,3
Alba;Torrefazione;TA-2;05/11/2026;permeato;0,8;8;24;6,1
Alba;Torrefazione;TA-3;05/11/2026;trattata;6,5;54;150;6,9
""",
    "analyses.csv": """\
Client;Site;Échantillon;Date;Étape;TH (°f);TAC (°f);Conductivité (µS/cm);pH
Lac;Cuisine;HC-1;03/11/2026;eau brute;30,0;24,0;610;7,4
Lac;Cuisine;HC-2;03/11/2026;eau traitée;8,5;6,8;185;6,8
""",
    "proben.csv": """\
Kunde;Standort;Probe;Datum;Probenart;Gesamthärte °dH;Karbonathärte °dH;Leitfähigkeit µS/cm;pH
Nord;Büro;KN-1;10.11.2026;Rohwasser;14,0;11,0;540;7,4
Nord;Büro;KN-2;10.11.2026;nach Filter;5,9;2,9;318;6,9
Quelle;Theke;DQ-1;14.06.2026;roh;4,5;3,9;170;7,6
Quelle;Theke;DQ-2;14.11.2026;roh;16,0;13,5;560;7,4
""",
    "agua.csv": """\
Cliente;Lugar;Muestra;Fecha;Etapa;Dureza total (mg/L CaCO3);Alcalinidad (mg/L CaCO3);Conductividad (µS/cm);pH
Sur;Vending;VN-1;04/11/2026;agua de red;260;205;560;7,5
Sur;Vending;VN-2;04/11/2026;agua tratada;248;194;540;7,3
""",
    "ovens.csv": """\
Client,Site,Sample,Date,Stage,Hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),EC (uS/cm),pH,Free chlorine (mg/L)
Crumb,Ovens,BC-1,2026-11-02,tap,290,225,620,7.4,0.3
Crumb,Ovens,BC-2,2026-11-02,after filter,288,224,618,7.4,<0.05
""",
    "labels.csv": """\
Client,Site,Water,Calcium mg/L,Magnesium mg/L,Sodium mg/L,Bicarbonate mg/L,Chloride mg/L,Sulphate mg/L
Wheels,Cart,Spring Low,11,3,6,42,7,8
Wheels,Cart,Spring High,92,22,14,340,16,38
""",
}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Import all places once."""
    place: Path = tmp_path_factory.mktemp("abroad")
    for name, text in FILES.items():
        (place / name).write_text(text, encoding="utf-8")
    CliRunner().invoke(main, ["intake", *map(str, sorted(place.glob("*.csv"))), "--out", str(place / "out")])
    with Store(place / "out" / "kettlestone.duckdb", read_only=True) as opened:
        yield opened


def test_tipo_may_hold_the_stages_of_water(store: Store) -> None:
    """A blend of 19 % raw water behind a membrane that holds 96 % back meets cup and machine."""
    answer = answer_of(store, "Torrefazione", TODAY)

    assert answer.site.treated is not None
    assert (answer.site.treated.label, answer.outcome) == ("TA-3", "keep")
    assert answer.retest is not None
    assert answer.retest.verification is not None
    assert answer.retest.verification.outcome == "proved"


def test_where_nothing_is_brewed_no_cup_is_spoken_of(store: Store) -> None:
    answer = answer_of(store, "Cuisine", TODAY)

    assert answer.outcome == "keep"
    assert {said.code for said in answer.verdict} <= {"site.outcome.keep_machine", "site.outcome.keep_machine_watch"}


def test_a_fresh_jug_takes_more_than_the_usual_share_and_is_no_other_treatment(store: Store) -> None:
    """11.0 to 2.9 °dH of alkalinity is 74 %, where a jug in use takes some 60 %; hardness follows: 14.0 - 8.1 = 5.9."""
    answer = answer_of(store, "Büro", TODAY)

    assert answer.site.fitted.treatment == "jug"
    assert answer.retest is not None
    assert answer.retest.verification is not None
    assert answer.retest.verification.outcome == "proved"
    assert answer.outcome == "keep"


def test_a_worn_filling_does_not_seem_to_last_longer_for_taking_little(store: Store) -> None:
    """8000 °dH·L at 65 % of 205 mg/L (7.5 °dH) last 1,070 L; 900 L went through, and 94 % of the water is raw."""
    answer = answer_of(store, "Vending", TODAY)

    assert answer.retest is not None
    assert answer.retest.verification is not None
    assert answer.retest.verification.causes[0].name == "exhausted media"
    assert answer.outcome == "change-medium"


def test_carbon_that_is_fitted_need_not_be_bought(store: Store) -> None:
    codes = {said.code for said in answer_of(store, "Ovens", TODAY).advice.reasons}

    assert "choose.note.chlorine_fitted" in codes
    assert "choose.note.chlorine" not in codes


def test_two_bottles_are_mixed_before_salts_are_weighed(store: Store) -> None:
    """One litre of 320 with nine of 40 mg/L hardness gives 68; of alkalinity (279, 34) it gives 59: both inside."""
    answer = answer_of(store, "Cart", TODAY)

    assert (answer.outcome, answer.advice.treatment) == ("fit", "blend")
    assert answer.advice.predicted["alkalinity_mg_l_caco3"].value == pytest.approx(0.9 * 34.4 + 0.1 * 278.9, rel=0.02)
    told = [str(value) for said in answer.advice.bottled for value in dict(said.values).values()]
    assert not any("worse-than-tap" in text for text in told), "there is no tap"


def test_two_visits_with_two_waters_are_told_apart(store: Store) -> None:
    """80 mg/L in June and 286 in November: one setting cannot serve both."""
    answer = answer_of(store, "Theke", TODAY)

    assert answer.advice.decision == "conditional"
    said = {one.code: dict(one.values) for one in answer.advice.conditions}
    assert said["site.basis.other_day"]["usual"] == pytest.approx(4.5 * 17.848, rel=0.01)


@pytest.mark.parametrize(
    ("text", "treatment"),
    [
        ("Tischfilter", "jug"),
        ("cruche filtrante", "jug"),
        ("waterkan met filter", "jug"),
        ("浄水ポット", "jug"),
        ("zwak zure kationenwisselaar", "decarboniser"),
        ("schwachsaurer Ionenaustauscher", "decarboniser"),
        ("résine faiblement acide", "decarboniser"),
        ("scambiatore debolmente acido", "decarboniser"),
        ("resina débilmente ácida", "decarboniser"),
        ("H+ cartridge", "decarboniser"),
        ("carvão ativado + amaciador", "carbon + softener"),
        ("węgiel aktywny + zmiękczacz", "carbon + softener"),
        ("odwrócona osmoza z mineralizatorem", "reverse osmosis + remineraliser"),
        ("VE-Patrone", "demineraliser"),
        ("Tankkartusche", "tank cartridge"),
        ("sin tratamiento", "none"),
        ("kein Filter", "none"),
        ("filtre à eau", ""),
        ("magnetic descaler", ""),
    ],
)
def test_words_for_what_is_fitted(text: str, treatment: str) -> None:
    assert treatment_meant(text) == treatment
