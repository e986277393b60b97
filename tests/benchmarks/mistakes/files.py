"""The same records the long way round: written as people write files, in three languages, and read by the main job.

A laboratory's report is a long or a wide table, in a wide one with the unit of a titration in its cell. A kit sheet
has a row for each sample where both of its tests share the worth of a drop and the volumes, else a row for each test.
"""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from file_words import LANGUAGES
from noise import DROP_DEGREES, IONS
from score import Judgement

from pipeline.checks.limits import Limits
from pipeline.intake import run
from pipeline.prove import prove
from pipeline.settings import Settings
from pipeline.stages import Silent
from pipeline.store.database import Store
from pipeline.store.table import neighbourhood_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from file_words import Words
    from noise import Received

    Rows = list[list[str]]

TESTS: Final = ("total_hardness", "alkalinity")
_DEGREE: Final = {worth: name for name, worth in DROP_DEGREES.items()}
_FREE: Final = ("total_hardness", "alkalinity")  # in a wide table their unit stands in the cell: it differs by site

_METERED: Final = {"conductivity": ("µS/cm", "µS/cm"), "tds": ("ppm", "mg/L")}  # in the field, in a report


def write(received: Received, folder: Path) -> None:
    """Write all records, reports and kit sheets for each of their sources, as they were received.

    Of a record that is mixed the ions stand in a report, what was counted and metered on a sheet.
    """
    mixed = received.about["record"] == "mixed"
    reported, counted = received.copy(), received.copy()
    reported.number.loc[mixed, received.number.columns.difference(IONS)] = np.nan
    counted.number.loc[mixed, list(IONS)] = np.nan
    for number, (_, about) in enumerate(received.about.groupby("file_sha256", sort=False)):
        words = LANGUAGES[number % len(LANGUAGES)]
        shared = _shared(received, about.index)
        field = (about["record"] != "laboratory").to_numpy()
        for name, rows, part, sheet in (
            ("report", (about["record"] != "kit").to_numpy(), reported, _long if number // 3 % 2 else _wide),
            ("kit sheet", field & shared, counted, _samples),
            ("tests", field & ~shared, counted, _tests),
        ):
            if rows.any():
                _save(folder / f"{name} {number}.csv", words, sheet(part, about[rows], words))


def _save(path: Path, words: Words, rows: Rows) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, delimiter=words.delimiter).writerows(rows)


def _shared(received: Received, index: pd.Index) -> np.ndarray:
    """Tell the records of sites of which both tests were counted with the same drops and volumes, on every visit."""
    same = pd.Series(True, index=index)
    for frame in (received.degree, received.nominal, received.used):
        same &= frame.loc[index, TESTS[0]] == frame.loc[index, TESTS[1]]
    return same.groupby(received.about.loc[index, "site"]).transform("all").to_numpy()


def _head(facts: pd.Series[Any], words: Words) -> list[str]:
    treatment = words.treatments.get(facts["treatment"], facts["treatment"])
    day = f"{facts['collected_at']:{words.date}}"
    return [facts["label"], facts["client"], facts["site"], day, words.stages[facts["stage"]], treatment]


def _text(number: float, words: Words) -> str:
    return "" if np.isnan(number) else f"{number:.10g}".replace(".", words.decimal)


def _unit(received: Received, sample_id: str, code: str, words: Words) -> str:
    """Give the unit as it is printed; who writes two numbers into one another's place does not move their units."""
    unit = str(received.unit.loc[sample_id, code])
    if code in _METERED:
        unit = _METERED[code][received.about.loc[sample_id, "record"] == "laboratory"]
    return f"mg/{words.litre}{words.form.get(code, '')}" if unit == "mg/L" else unit


def _long(received: Received, about: pd.DataFrame, words: Words) -> Rows:
    rows = [[*words.head, *words.result]]
    for sample_id, facts in about.iterrows():
        rows += [
            [*_head(facts, words), words.quantities[code], _text(number, words),
             _unit(received, str(sample_id), code, words)]
            for code, number in _read(received, str(sample_id))
        ]  # fmt: skip
    return rows


def _read(received: Received, sample_id: str) -> Iterable[tuple[str, float]]:
    return ((str(code), number) for code, number in received.number.loc[sample_id].items() if not np.isnan(number))


def _columns(received: Received, about: pd.DataFrame, words: Words, without: tuple[str, ...]) -> dict[str, str]:
    """Give the heading of each quantity that was read: with its unit, where that is one for all."""
    read = received.number.loc[about.index].notna().any()
    headings = {}
    for code in read.index[read].difference(without, sort=False):
        first = received.number.index[received.number[code].notna() & received.number.index.isin(about.index)][0]
        unit = "" if code in _FREE else _unit(received, first, code, words)
        headings[str(code)] = words.quantities[code] + (f" ({unit})" if unit else "")
    return headings


def _wide(received: Received, about: pd.DataFrame, words: Words) -> Rows:
    columns = _columns(received, about, words, ())
    rows = [[*words.head, *columns.values()]]
    for sample_id, facts in about.iterrows():
        cells = []
        for code in columns:
            cell = _text(received.number.loc[sample_id, code], words)
            cells.append(f"{cell} {_unit(received, str(sample_id), code, words)}" if cell and code in _FREE else cell)
        rows.append([*_head(facts, words), *cells])
    return rows


def _drops(received: Received, sample_id: str, code: str, words: Words) -> list[str]:
    """Say what a drop is worth and how much water was taken."""
    degree, nominal, used = (frame.loc[sample_id, code] for frame in (received.degree, received.nominal, received.used))
    return ["1", _DEGREE[round(float(degree), 3)], _text(nominal, words), _text(used, words)]


def _samples(received: Received, about: pd.DataFrame, words: Words) -> Rows:
    columns = _columns(received, about, words, TESTS)
    rows = [[*words.head, *words.counts, *words.kit[2:6], *columns.values()]]
    for sample_id, facts in about.iterrows():
        counts = [_text(received.number.loc[sample_id, code], words) for code in TESTS]
        others = [_text(received.number.loc[sample_id, code], words) for code in columns]
        rows.append([*_head(facts, words), *counts, *_drops(received, str(sample_id), TESTS[0], words), *others])
    return rows


def _tests(received: Received, about: pd.DataFrame, words: Words) -> Rows:
    rows = [[*words.head, *words.kit]]
    for sample_id, facts in about.iterrows():
        for code, number in _read(received, str(sample_id)):
            head = [*_head(facts, words), words.quantities[code]]
            if np.isnan(received.degree.loc[sample_id, code]):
                unit = _unit(received, str(sample_id), code, words)
                rows.append([*head, "", "", "", "", "", _text(number, words), unit])
            else:
                drops = _drops(received, str(sample_id), code, words)
                rows.append([*head, _text(number, words), *drops, "", ""])
    return rows


def imported(received: Received, folder: Path) -> tuple[pd.DataFrame, Judgement]:
    """Write the records and run the main job over them.

    Returns
    -------
    its samples by label, and their verdicts with the causes of all of them, of the samples as the store has them.
    """
    source, out = folder / "reports", folder / "out"
    source.mkdir(parents=True)
    write(received, source)
    finished = run([source], Settings(out=out, store=out / "kettlestone.duckdb"))
    samples = pd.read_csv(finished.folder / "samples.csv", dtype={"label": "str"}).set_index("label")
    with Store(out / "kettlestone.duckdb", read_only=True) as store:
        table = neighbourhood_of(store, samples["sample_id"].tolist())
    everyone = np.ones(len(table), dtype="bool")
    causes = prove(table, Limits(), lambda _: everyone, Silent(), everyone).causes
    assert causes is not None
    own = pd.Series(received.about.index, index=received.about["label"])
    named = own[table.about["label"]].set_axis(table.about.index)
    verdict = samples["verdict"].set_axis(own[samples.index])
    return samples, Judgement(
        verdict, causes.explanations.assign(sample_id=causes.explanations["sample_id"].map(named))
    )
