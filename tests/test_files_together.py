"""Files that are taken to text together say what each of them says alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

from pipeline import file_portions
from pipeline.gathering import gather, normalised_files
from pipeline.intake import prepare_intake
from pipeline.one_file import read_fetched
from pipeline.settings import Settings

if TYPE_CHECKING:
    from pipeline.fetching import Fetched
    from pipeline.gathering import Gathered
    from pipeline.ingest.file_result import FileResult
    from pipeline.intake import Intake

LONG = "Sample,Client,Site,Date,Parameter,Result,Unit\n"
WIDE = "Probe;Ort;Datum;pH;Gesamthärte (°dH);Calcium (mg/l);Foo-Zahl;Bemerkung\n"
REPORT = "Laboratoire\nSite : {site}\n\nEchantillon;Date;pH;TH (°f);Calcium (mg/L)\n"

# What a row may hold that concerns the rows around it, or the whole of its file.
LONG_FILES = {
    "plain": "S{n},north,site {n},2024-03-0{n},pH,7.{n},\nS{n},north,site {n},2024-03-0{n},Calcium,4{n},mg/L\n",
    "odd-date": "S{n},north,a,0{n}/02/2024,pH,7.1,\nS{n},north,a,25/02/2024,Calcium,4{n},mg/L\n",
    "unknown": "S{n},north,a,2024-03-01,pH,7.{n},\nS{n},north,a,2024-03-01,Wibble,4{n},mg/L\n",
    "empty": "S{n},north,a,2024-03-01,pH,,\nS{n},north,a,2024-03-01,Calcium,4{n},mg/L\n",
    "gap": "S{n},north,a,2024-03-01,pH,n/a,\nS{n},north,a,2024-03-01,Calcium,4{n},mg/L\n",
    "named-once": "S{n},north,a,2024-03-01,pH,7.{n},\n,,,,Calcium,4{n},mg/L\n",
    "nameless": ",north,,2024-03-01,pH,7.{n},\n,north,,2024-03-01,Calcium,4{n},mg/L\n",
    "asked": "S{n},north,a,2024-03-01,pH,7.{n},\nS{n},north,a,2024-03-01,Calcium,4{n},\n",
    "stage": "S{n} before filter,north,a,2024-03-01,pH,7.{n},\nS{n} blank,north,a,2024-03-01,Calcium,4{n},mg/L\n",
    "comma": 'S{n},north,a,2024-03-01,pH,"7,{n}",\nS{n},north,a,2024-03-01,Calcium,"1.23{n}",mg/L\n',
    "cut": "S{n},north,a,2024-03-01,pH,7.{n},\nS{n},north,a,2024-03-01,Calc",
}
WIDE_FILES = {
    "plain": "P{n};Ort {n};0{n}.03.2024;7,{n};1{n};4{n},5;;ok\nQ{n};Ort {n};0{n}.03.2024;7,{n};1{n};4{n},5;;\n",
    "limit": "P{n};Ort {n};0{n}.03.2024;7,{n};1{n};4{n},5;;\nGrenzwert;;;9,5;;;;\n",
    "unknown": "P{n};Ort;01.03.2024;7,{n};1{n};<5;2,{n};\nQ{n};Ort;01.03.2024;7,{n};1{n};4{n};3,{n};\n",
    "codes": "".join(f"{sample}{{n}};Ort;01.03.2024;7,{{n}};-999;4{{n}};;\n" for sample in "PQR"),
    "notes": "P{n};Ort;01.03.2024;7,{n};1{n};4{n};;\nQ{n};Ort;01.03.2024;;;;;verloren\n",
}


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Intake:
    folder: Path = tmp_path_factory.mktemp("together")
    texts = {
        f"long-{kind}-{n}": LONG + rows.replace("{n}", str(n)) for kind, rows in LONG_FILES.items() for n in (1, 2)
    }
    texts |= {
        f"wide-{kind}-{n}": WIDE + rows.replace("{n}", str(n)) for kind, rows in WIDE_FILES.items() for n in (1, 2)
    }
    texts |= {f"report-{n}": REPORT.format(site=f"Lieu {n}") + f"E{n};03/0{n}/2024;7,{n};2{n};8{n}\n" for n in (1, 2)}
    texts |= {f"labels-{n}": f"Water;pH;Calcium mg/L\nInvented {n};7.{n};4{n}\n" for n in (1, 2)}
    texts["broken"] = "\x00\x01 nothing"
    texts["again"] = texts["long-plain-1"]
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
    out = folder / "out"
    return prepare_intake([folder], Settings(out=out, store=out / "kettlestone.duckdb"))


@pytest.fixture(scope="module")
def alone(job: Intake) -> Gathered:
    return gather(normalised_files(map(job.read, job.files), job.settings))


@pytest.fixture(scope="module")
def together(job: Intake) -> Gathered:
    return gather(job.taken())


@pytest.mark.pinned
@pytest.mark.parametrize("table", ["files", "rows", "readings", "set_aside", "notices"])
def test_files_say_together_what_they_say_alone(alone: Gathered, together: Gathered, table: str) -> None:
    """The order of the files, the books of each, and what is told of it stay."""
    expected, found = getattr(alone, table), getattr(together, table)

    pd.testing.assert_frame_equal(found, expected, check_categorical=False, check_dtype=False)


def test_most_small_files_are_taken_together(job: Intake, monkeypatch: pytest.MonkeyPatch) -> None:
    """Alone is read what is broken, cut off, or explained by the rest or the name of its file only."""
    read: list[str] = []

    def listening(file: Fetched, *how: Any) -> FileResult:  # noqa: ANN401 - whatever is handed on
        if not file.known:
            read.append(Path(file.name).stem)
        return read_fetched(file, *how)

    monkeypatch.setattr(file_portions, "read_fetched", listening)

    list(job.taken())

    kinds = {"long-named-once", "long-nameless", "long-cut", "wide-codes"}
    assert {name.rstrip("-12") for name in read} <= kinds | {"broken", "labels"}
