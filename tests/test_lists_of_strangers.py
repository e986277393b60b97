"""Lists of strangers: other languages, orientations, units in odd places, limits and legends among them.

All of them are invented. What a list says is written out here by hand: how many cells it has, how many of them are
readings, and some values.
"""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LISTS = {
    "acquedotto": (
        "Comune di Valfinta - Acquedotto\n"
        "Analisi acqua potabile - II semestre 2024\n"
        "\n"
        "Punto di prelievo;Data;pH;Conducibilità elettrica a 20 °C (µS/cm);Durezza totale (°f);Calc"
        "io (mg/l);Magnesio (mg/l);Nitrati (mg/l);Cloruri (mg/l);Colore\n"
        "Fontana Piazza;03/07/2024;7,6;412;21,5;68;11;6,2;8,4;incolore\n"
        "Serbatoio Alto;03/07/2024;7,7;398;20,9;66;10,8;5,9;8,1;incolore\n"
        "Limite D.Lgs. 18/2023;;6,5-9,5;2500;15-50;;;50;250;accettabile\n"
        "* valori medi\n"
    ),
    "aguas": (
        "Municipio;Fecha;Parámetro;Valor;Unidad;Valor paramétrico\n"
        "Villafalsa;14/02/2025 à 10h15;pH;7,8;unidades pH;6,5-9,5\n"
        "Villafalsa;14/02/2025;Conductividad a 20ºC;560;µS/cm;2500\n"
        "Villafalsa;14/02/2025;Calcio;88;mg/L;\n"
        "Villafalsa;14/02/2025;Magnesio;14;mg/L;\n"
        "Villafalsa;14/02/2025;Dureza;278;mg/L CaCO3;\n"
        "Villafalsa;14/02/2025;Bicarbonatos;298;mg/L;\n"
        "Villafalsa;14/02/2025;Cloruros;21;mg/L;250\n"
        "Villafalsa;14/02/2025;Sulfatos;<10;mg/L;250\n"
        "Villafalsa;14/02/2025;Coliformes;0;UFC/100 ml;0\n"
    ),
    "aguas_pt": (
        "Ponto de amostragem;Data de colheita;pH;Condutividade (µS/cm a 20ºC);Dureza total (mg/L Ca"
        "CO3);Cálcio (mg/L Ca);Magnésio (mg/L Mg);Cloretos (mg/L Cl);Sulfatos (mg/L SO4);Alcalinida"
        "de (mg/L CaCO3)\n"
        "Torneira do consumidor A;05-03-2025;7,4;210;82;25;4,7;14;11;70\n"
        "Reservatório;05-03-2025;7,5;205;80;24,5;4,6;13;11;69\n"
        "VP;;6,5-9,5;2500;;;;250;250;\n"
    ),
    "wodociagi": (
        "Miejsce poboru;Data;pH;Przewodność (µS/cm);Twardość ogólna (mg/l CaCO3);Wapń (mg/l);Magnez"
        " (mg/l);Chlorki (mg/l);Siarczany (mg/l);Azotany (mg/l)\n"
        "SUW Fikcyjna;2025-01-14;7,5;540;260;86;11;22;40;3,1\n"
        "Kran w kuchni;2025-01-14;7,5;538;258;85;11;22;40;3,0\n"
    ),
    "vodarna": (
        "Místo odběru;Datum;pH;Konduktivita (mS/m);Tvrdost celková (mmol/l);Vápník (mg/l);Hořčík (m"
        "g/l);Chloridy (mg/l);Sírany (mg/l);Dusičnany (mg/l)\n"
        "Vodárna Smyšlená;14.1.2025;7,4;52,1;2,4;78;11;18;45;12\n"
    ),
    "shuizhi": (
        "采样点,采样日期,pH,电导率(μS/cm),总硬度(以CaCO3计)(mg/L),钙(mg/L),镁(mg/L),氯化物(mg/L),硫酸盐(mg/L),总碱度(mg/L)\n"
        "水龙头A,2025-03-01,7.6,420,190,58,11,18,32,160\n"
        "水龙头B,2025-03-01,7.5,430,195,60,11,18,33,162\n"
        "限值,,6.5-8.5,,450,,,250,250,\n"
    ),
    "suishitsu": (
        "水質検査結果\n"
        "採水地点,採水日,pH値,電気伝導率(mS/m),硬度（カルシウム、マグネシウム等）(mg/L),カルシウム(mg/L),マグネシウム(mg/L),塩化物イオン(mg/L),蒸発残"
        "留物(mg/L)\n"
        "架空浄水場,2025年3月1日,7.4,18.2,62,18,4.1,9.8,120\n"
        "基準値,,5.8以上8.6以下,,300以下,,,200以下,500以下\n"
    ),
    "hahn": (
        ";Einheit;Hahn Küche;Hahn Bar;Grenzwert TrinkwV\n"
        "Datum der Probenahme;;03.02.2025;03.02.2025;\n"
        "pH-Wert;-;7,4;7,5;6,5-9,5\n"
        "Leitfähigkeit bei 25 °C;µS/cm;612;598;2790\n"
        "Gesamthärte;°dH;16,2;15,9;\n"
        "Calcium;mg/l;92;90;\n"
        "Magnesium;mg/l;14,5;14,2;\n"
        "Hydrogencarbonat;mg/l;305;300;\n"
        "Chlorid;mg/l;28;27;250\n"
        "Eisen, gesamt;mg/l;< 0,02;n.n.;0,2\n"
        "Bemerkung;;klar;klar;\n"
    ),
    "unbekannt": (
        "Probe,pH,Leitf. µS/cm,Wasserqualitätsindex,SAK 254 (1/m),KMnO4-Index,Keimzahl 22°C,Ca mg/l"
        ",Mg mg/l,Σ\n"
        "P1,7.3,512,81,2.1,1.4,3,80,9,x\n"
        "P2,7.4,498,83,1.9,1.2,0,78,9,y\n"
    ),
    "days": (
        "Parameter,Unit,2025-01-10,2025-02-11,2025-03-12\n"
        "pH,,7.4,7.5,7.4\n"
        "Total hardness,°dH,14,14.5,13.8\n"
        "Conductivity,µS/cm,560,570,555\n"
        "Chloride,mg/L,22,23,22\n"
    ),
    "taps": (
        ",Kitchen tap,,Bar tap,\n"
        ",before,after,before,after\n"
        "pH,7.4,6.9,7.5,6.8\n"
        "Hardness °dH,14,6,14,7\n"
        "Carbonate hardness °dH,11,3,11,4\n"
    ),
    "two_heads": (
        "Parameter,Unit,Kitchen,,Bar,\n"
        ",,before,after,before,after\n"
        "pH,,7.4,6.9,7.5,6.8\n"
        "Total hardness,°dH,14,6,14,7\n"
        "Carbonate hardness,°dH,11,3,11,4\n"
    ),
    "wells": (
        'Location,Sample Date,"Hardness, Total (as CaCO3)",Units,"Alkalinity, Total (as CaCO3)",Uni'
        "ts,Specific Conductance,Units,pH\n"
        "Well 1,03/14/2025,212,mg/L,188,mg/L,455,umhos/cm,7.6\n"
        "Well 2,03/14/2025,12.4,gpg,188,mg/L,460,umhos/cm,7.6\n"
    ),
    "mixed_units": (
        "Label,Cond,Hard,Alk,Temp\n,µS/cm,°dH,°dH,°C\nW1,560,14,11,12.5\nW2,1.1 mS/cm,20,15,13\nW3,480,12 °f,9,12\n"
    ),
    "laboratorium": (
        "Sprawozdanie z badań nr 1123/2025\n"
        "Zleceniodawca: Piekarnia Zmyślona\n"
        "Data pobrania: 14.03.2025\n"
        "\n"
        "Miejsce pobrania;Kod próbki;Odczyn pH;Przewodność elektryczna [µS/cm] w 25 °C;Twardość ogólna [mg CaCO3/l];"
        "Wapń [mg/l];Azot azotanowy [mg N/l];Żelazo [µg/l]\n"
        "Kuchnia;P/1;7,4;612;298;92,1;2,1;<20\n"
        "Studnia;P/2;7,2;845;402;124;7,0;poniżej 20\n"
    ),
    "jinghao": (
        "采样点,采样日期,水温/℃,pH,电导率/(μS/cm),总硬度(以CaCO3计)/(mg/L),铁/(mg/L)\n"
        "1号井,2025.03.04,16.5,7.45,612,265,小于0.03\n"
        "出厂水,2025.03.05,15.9,7.52,598,258,0.05\n"
    ),
    "pompstations": (
        "Monsterpunt,Datum monstername,Parameter,Resultaat,Eenheid\n"
        "Pompstation A,2025-03-04,Geleidbaarheid (20°C),46.1,mS/m\n"
        "Pompstation A,2025-03-04,Totale hardheid,1.42,mmol/l\n"
        "Pompstation B,2025-03-04,Geleidbaarheid (20°C),52.3,mS/m\n"
        "Pompstation B,2025-03-04,Totale hardheid,1.61,mmol/l\n"
    ),
    "werke": (
        "Werk Nord;;;;Werk Ost;;\n"
        "Parameter;Einheit;Wert;;Parameter;Einheit;Wert\n"
        "pH-Wert;;7,62;;pH-Wert;;7,41\n"
        "Gesamthärte;°dH;13,4;;Gesamthärte;°dH;18,2\n"
    ),
    "gouttes": (
        "Client;Lieu;Date;Gouttes TH;°f par goutte;Gouttes TAC;°f/goutte TAC;Volume échantillon (mL);pH\n"
        "Café du Port;Bar;04/03/2025;25;1;21;1;10;7,4\n"
        "Café du Parc;Bar;14/03/2025;13;2;11;2;5;7,5\n"
    ),
    "zones": (
        "Zone,Parameter,Unit,No. of samples,Min,Mean,Max,% compliance\n"
        "Z1,Hardness (Total) as CaCO3,mg/l,12,241,256,270,100\nZ1,Chloride,mg Cl/l,12,31,36,41,100\n"
        "Z2,Hardness (Total) as CaCO3,mg/l,8,101,112,120,100\nZ2,Chloride,mg Cl/l,8,18,20,22,100\n"
    ),
    "annuale": (
        "Gestore,Zona di distribuzione,Anno,Parametro,U.M.,N. analisi,Valore minimo,Valore medio,Valore massimo\n"
        "Acque Finte,ZD1,2024,Calcio,mg/l,6,70,82,90\nAcque Finte,ZD1,2024,Cloruri,mg/l,6,10,12,15\n"
        "Acque Finte,ZD2,2024,Calcio,mg/l,6,40,51,60\nAcque Finte,ZD2,2024,Cloruri,mg/l,6,5,7,9\n"
    ),
    "strassen": (
        "Straße;Ortsteil;Härte in °dH;Härtebereich\nMusterweg 1;Nord;14;mittel\nMusterweg 2;Nord;17;hart\n"
        "Musterweg 3;Nord;6,5;weich\n"
    ),
    "zonas": (
        "cod_zona;nombre_zona;fecha_toma;ph;dureza_total_mg_l_caco3\n01;Norte;15/01/2025;7,8;176\n02;Sur;16/01/2025;7,9;169\n"
        "Desv. est.;;;0,1;5\n"
    ),
    "obce": (
        "Obec;Datum odběru;Tvrdost;KNK4,5;C.E.\n;;mmol/l;mmol/l;mS/m\n"
        "Lhotka;3. 2. 2025;2,31;3,48;48,2\nDubina;17. února 2025;asi 3;4,2;> 66\n"
    ),
}
# Cells under headings of measurements, and those of them that are readings; counted by hand.
COUNTS = {
    "acquedotto": (22, 14),
    "aguas": (9, 8),
    "aguas_pt": (20, 16),
    "wodociagi": (16, 16),
    "vodarna": (8, 8),
    "shuizhi": (20, 16),
    "suishitsu": (11, 7),
    "hahn": (20, 15),
    "unbekannt": (16, 8),
    "days": (12, 12),
    "taps": (12, 12),
    "two_heads": (12, 12),
    "wells": (8, 8),
    "mixed_units": (12, 12),
    "laboratorium": (12, 12),
    "jinghao": (10, 10),
    "pompstations": (4, 4),
    "werke": (4, 4),
    "gouttes": (6, 6),
    "zones": (20, 4),
    "annuale": (16, 4),
    "strassen": (3, 3),
    "zonas": (6, 4),
    "obce": (6, 6),
}
# What a cell says, by arithmetic: 1 °f = 10, 1 °dH = 17.848, 1 gpg = 17.118 mg/L CaCO3; 1 mmol/L of earths = 100.09;
# 20 °C to 25 °C × 1.116 [ISO7888]; 1 mS/m = 10 µS/cm.
VALUES = [
    ("acquedotto", "acquedotto.csv line 5", "total_hardness_mg_l_caco3", 215.0),
    ("acquedotto", "acquedotto.csv line 5", "conductivity_us_cm_25c", 412 * 1.116),
    ("aguas", "aguas.csv line 2", "conductivity_us_cm_25c", 560 * 1.116),
    ("aguas", "aguas.csv line 2", "total_hardness_mg_l_caco3", 278.0),
    ("aguas_pt", "aguas_pt.csv line 2", "calcium_mg_l", 25.0),
    ("wodociagi", "wodociagi.csv line 3", "nitrate_mg_l", 3.0),
    ("vodarna", "vodarna.csv line 2", "conductivity_us_cm_25c", 521.0),
    ("vodarna", "vodarna.csv line 2", "total_hardness_mg_l_caco3", 2.4 * 100.087),
    ("shuizhi", "shuizhi.csv line 3", "sulfate_mg_l", 33.0),
    ("suishitsu", "suishitsu.csv line 3", "conductivity_us_cm_25c", 182.0),
    ("suishitsu", "suishitsu.csv line 3", "tds_mg_l", 120.0),
    ("hahn", "Hahn Bar", "total_hardness_mg_l_caco3", 15.9 * 17.848),
    ("unbekannt", "P2", "magnesium_mg_l", 9.0),
    ("days", "2025-02-11", "total_hardness_mg_l_caco3", 14.5 * 17.848),
    ("taps", "Bar tap after", "total_hardness_mg_l_caco3", 7 * 17.848),
    ("two_heads", "Kitchen before", "ph", 7.4),
    ("wells", "wells.csv line 3", "total_hardness_mg_l_caco3", 12.4 * 17.118),
    ("mixed_units", "W2", "conductivity_us_cm_25c", 1100.0),
    ("mixed_units", "W3", "total_hardness_mg_l_caco3", 120.0),
    ("laboratorium", "P/1", "conductivity_us_cm_25c", 612.0),
    ("laboratorium", "P/2", "nitrate_mg_l", 7.0 * 62.004 / 14.007),
    ("jinghao", "jinghao.csv line 3", "temperature_c", 15.9),
    ("pompstations", "pompstations.csv line 2", "conductivity_us_cm_25c", 461 * 1.116),
    ("pompstations", "pompstations.csv line 4", "total_hardness_mg_l_caco3", 161.1),
    ("gouttes", "gouttes.csv line 3", "total_hardness_mg_l_caco3", 13 * 20.0),
    ("zones", "zones.csv line 4", "total_hardness_mg_l_caco3", 112.0),
    ("annuale", "annuale.csv line 4", "calcium_mg_l", 51.0),
    ("strassen", "strassen.csv line 3", "total_hardness_mg_l_caco3", 303.4),
    ("zonas", "zonas.csv line 2", "total_hardness_mg_l_caco3", 176.0),
    ("obce", "obce.csv line 3", "alkalinity_mg_l_caco3", 3.48 * 50.04),
    ("obce", "obce.csv line 4", "total_hardness_mg_l_caco3", 300.3),
]


@pytest.fixture(scope="module")
def lists(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    def fill(folder: Path) -> None:
        (folder / "in").mkdir()
        for name, text in LISTS.items():
            (folder / "in" / f"{name}.csv").write_text(text, "utf-8")
        taken = ["intake", str(folder / "in"), "--out", str(folder / "out"), "--store", str(folder / "s.duckdb")]
        assert CliRunner().invoke(main, taken).exit_code == 1

    return made_once("lists of strangers", fill)


@pytest.fixture(scope="module")
def samples(lists: Path) -> list[dict[str, str]]:
    with next((lists / "out").glob("2*/samples.csv")).open(encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def test_every_cell_is_counted_and_only_readings_are_used(lists: Path) -> None:
    summary = json.loads(next((lists / "out").glob("2*/summary.json")).read_text("utf-8"))

    found = {
        str(file["name"]).rpartition("/")[2][:-4]: (file["entries"], file["accepted"]) for file in summary["files"]
    }
    assert found == COUNTS


@pytest.mark.source("ISO7888")
def test_values_are_those_of_the_cells(samples: list[dict[str, str]]) -> None:
    found = {
        (row["called"], column): float(row[column]) for row in samples for _, _, column, _ in VALUES if row[column]
    }

    for _, called, column, value in VALUES:
        assert found[called, column] == pytest.approx(value, rel=1e-3), (called, column)


def test_no_limit_is_a_sample_and_stages_and_days_are_kept(samples: list[dict[str, str]]) -> None:
    told = {row["called"]: (row["stage"], row["collected_at"][:10]) for row in samples}  # those of "werke" share a line

    assert len(told) == sum([2, 1, 2, 2, 1, 2, 1, 2, 2, 3, 4, 4, 2, 3, 2, 2, 2, 1, 2, 2, 2, 3, 2, 2])
    assert (told["Kitchen tap before"][0], told["Bar after"][0]) == ("raw", "treated")
    assert told["2025-02-11"][1] == "2025-02-11"
    assert told["aguas.csv line 2"][1] == "2025-02-14"
