"""The names of the months in twelve languages, and their short forms."""

from __future__ import annotations

from typing import Final

_NAMES: Final = """
january januar janvier gennaio enero januari janeiro jan janv gen ene jän jänner stycznia styczeń ledna leden
february februar février fevrier febbraio febrero februari fevereiro feb fév fev févr febr lutego luty února únor
march märz maerz mars marzo maart março marco mar mär mrz mrt marca marzec března březen marts
april avril aprile abril apr avr abr kwietnia kwiecień dubna duben
may mai maggio mayo mei maio mag maja maj května květen
june juni juin giugno junio junho jun giu czerwca czerwiec června červen
july juli juillet luglio julio julho jul lug juil lipca lipiec července červenec
august août aout agosto augustus aug ago sierpnia sierpień srpna srpen augusti
september septembre settembre septiembre setembro sept sep set września wrzesień září
october oktober octobre ottobre octubre outubro oct okt ott out października październik října říjen
november novembre noviembre novembro nov listopada listopad listopadu
december desember dezember décembre decembre dicembre diciembre dezembro dec dez dic déc grudnia grudzień \
prosince prosinec
"""
MONTH_NUMBERS: Final = {name: number for number, names in enumerate(_NAMES.split("\n")) for name in names.split()}
