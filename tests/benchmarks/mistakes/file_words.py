"""The words of the files: headings, quantities, stages and treatments in three languages, as people write them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Words:
    """How one language writes a file: its separators, its dates, its headings and its names."""

    delimiter: str
    decimal: str
    date: str
    head: tuple[str, ...]  # sample, client, site, date, stage, treatment
    result: tuple[str, str, str]  # quantity, value, unit
    counts: tuple[str, str]  # drops of hardness, of alkalinity
    kit: tuple[str, ...]  # test, drops, worth of a drop, its degree, nominal and used volume, value, unit
    stages: dict[str, str]
    treatments: dict[str, str]
    quantities: dict[str, str]
    form: dict[str, str]  # behind mg/L
    litre: str = "L"


ENGLISH: Final = Words(
    delimiter=",",
    decimal=".",
    date="%Y-%m-%d",
    head=("Sample", "Client", "Site", "Date", "Stage", "Treatment"),
    result=("Parameter", "Result", "Unit"),
    counts=("hardness drops", "alkalinity drops"),
    kit=("test", "drops", "degree per drop", "kit unit", "nominal volume", "volume used", "value", "unit"),
    stages={"raw": "Raw", "treated": "Treated"},
    treatments={},
    quantities={
        "temperature": "Temperature", "ph": "pH", "conductivity": "Conductivity", "tds": "Total dissolved solids",
        "total_hardness": "Total hardness", "alkalinity": "Alkalinity", "calcium": "Calcium", "magnesium": "Magnesium",
        "sodium": "Sodium", "potassium": "Potassium", "bicarbonate": "Bicarbonate", "chloride": "Chloride",
        "sulfate": "Sulfate", "nitrate": "Nitrate", "silica": "Silica",
    },
    form={"total_hardness": " as CaCO3", "alkalinity": " as CaCO3", "nitrate": " as NO3", "sulfate": " as SO4",
          "silica": " as SiO2", "bicarbonate": " as HCO3"},
)  # fmt: skip
GERMAN: Final = Words(
    delimiter=";",
    decimal=",",
    date="%d.%m.%Y",
    head=("Probe", "Kunde", "Standort", "Datum", "vor/nach", "Aufbereitung"),
    result=("Parameter", "Messwert", "Einheit"),
    counts=("GH Tropfen", "KH Tropfen"),
    kit=("Test", "Tropfen", "Grad pro Tropfen", "Gradart", "Nennvolumen", "ml verwendet", "Wert", "Einheit"),
    stages={"raw": "Roh", "treated": "nach Filter"},
    treatments={"softener": "Enthärter", "decarboniser": "Entkarbonisierer", "reverse osmosis": "Umkehrosmose"},
    quantities={
        "temperature": "Temperatur", "ph": "pH-Wert", "conductivity": "Leitfähigkeit", "tds": "TDS",
        "total_hardness": "Gesamthärte", "alkalinity": "Alkalinität", "calcium": "Calcium", "magnesium": "Magnesium",
        "sodium": "Natrium", "potassium": "Kalium", "bicarbonate": "Hydrogencarbonat", "chloride": "Chlorid",
        "sulfate": "Sulfat", "nitrate": "Nitrat", "silica": "Kieselsäure",
    },
    form={"total_hardness": " CaCO3", "alkalinity": " CaCO3", "silica": " SiO2"},
    litre="l",
)  # fmt: skip
ITALIAN: Final = Words(
    delimiter=";",
    decimal=",",
    date="%d/%m/%Y",
    head=("Campione", "Cliente", "Sito", "Data", "prima/dopo", "Trattamento"),
    result=("Parametro", "Risultato", "Unità"),
    counts=("Durezza gocce", "Alcalinità gocce"),
    kit=("Prova", "gocce", "gradi per goccia", "unità kit", "volume nominale", "volume usato", "valore", "unità"),
    stages={"raw": "prima del filtro", "treated": "dopo il filtro"},
    treatments={"softener": "addolcitore", "decarboniser": "decarbonatazione", "reverse osmosis": "osmosi inversa"},
    quantities={
        "temperature": "Temperatura", "ph": "pH", "conductivity": "Conducibilità", "tds": "TDS",
        "total_hardness": "Durezza totale", "alkalinity": "Alcalinità", "calcium": "Calcio", "magnesium": "Magnesio",
        "sodium": "Sodio", "potassium": "Potassio", "bicarbonate": "Bicarbonati", "chloride": "Cloruri",
        "sulfate": "Solfati", "nitrate": "Nitrati", "silica": "Silice",
    },
    form={"total_hardness": " CaCO3", "alkalinity": " CaCO3", "silica": " SiO2"},
    litre="l",
)  # fmt: skip
LANGUAGES: Final = (ENGLISH, GERMAN, ITALIAN)
