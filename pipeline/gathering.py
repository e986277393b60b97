"""Gather what the files of a batch hold: normalise their tables together and balance the books."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.memory import give_back
from pipeline.normalise.readings import Normalised, NormaliseSettings, normalise
from pipeline.normalise.stacking import stacked_frames, stacked_rows
from pipeline.problems import messages, no_problems
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from pipeline.arrays import Places
    from pipeline.ingest.file_result import FileResult
    from pipeline.settings import Settings

StandIn = Callable[["FileResult", Exception], "FileResult"]

# Small tables are normalised together up to so many entries; the text of a large one is let go at once.
_TOGETHER: Final = 50_000


@dataclass(frozen=True)
class Taken:
    """Some files of a batch, taken as far as they can be without the others.

    Attributes
    ----------
    files : one result for each, the books closed and the text gone.
    parts : what their tables hold, in canonical units.
    """

    files: tuple[FileResult, ...]
    parts: tuple[Normalised, ...]


@dataclass(frozen=True)
class Gathered:
    """All files of a batch.

    Attributes
    ----------
    files : one row of the ledger per file (``FileResult.source``), the books closed.
    rows, readings : as ``normalise`` gives them, all files one after the other.
    set_aside, notices : PROBLEM_COLUMNS, `name` of the file and `message`.
    registers : rows of registers by kind.
    evidence, kept : as ``FileResult`` has them, of all files; what is kept with the name of its `file`.
    """

    files: pd.DataFrame
    rows: pd.DataFrame
    readings: pd.DataFrame
    set_aside: pd.DataFrame
    notices: pd.DataFrame
    registers: dict[str, pd.DataFrame]
    evidence: dict[tuple[str, str, str], str]
    kept: pd.DataFrame

    @property
    def new_files(self) -> pd.DataFrame:
        """Leave out what the store has, maybe without units, and the second name of a content nobody understands."""
        again = self.files["file_sha256"].duplicated() & (self.files["file_sha256"] != "")
        return self.files[~self.files["status"].isin(["known", "answered"]) & ~again]

    def register(self, kind: str) -> pd.DataFrame:
        """Give the rows of one register, none where no file holds it."""
        return self.registers.get(kind, pd.DataFrame())

    def without_readings(self) -> Gathered:
        """Let go of what was joined into samples."""
        return replace(self, rows=pd.DataFrame(), readings=pd.DataFrame())

    def noted(self, notices: pd.DataFrame) -> Gathered:
        """Add remarks (PROBLEM_COLUMNS) that could be made only once all files were read."""
        if notices.empty:
            return self
        told = [self.notices, _named(self.files, [], [notices])]
        return replace(self, notices=stacked_frames([frame for frame in told if len(frame)]))


def gather(portions: Iterable[Taken]) -> Gathered:
    """Put all files of a batch together.

    Parameters
    ----------
    portions : of its files, in the order of the plan.
    """
    files: list[FileResult] = []
    parts: list[Normalised] = []
    for taken in portions:
        files.extend(taken.files)
        parts.extend(taken.parts)
    give_back()  # the text of the files, of which the readings are a third
    first: dict[str, FileResult] = {}
    return _gathered([_once(result, first) for result in files], parts)


def _once(result: FileResult, first: dict[str, FileResult]) -> FileResult:
    """Let a file with the bytes of an earlier one hold nothing; ``first`` are those, by their bytes."""
    sha256 = result.source["file_sha256"]
    earlier = first.setdefault(sha256, result) if sha256 else result
    if earlier is result:
        return result
    return _known(replace(result, source={**earlier.source, "name": result.source["name"], "decimal_mark": ""}))


def _known(result: FileResult) -> FileResult:
    """Let a file hold nothing that is not known by then."""
    status = "known" if result.source["status"] in ("read", "register") else result.source["status"]
    nothing = {"entries": 0, "accepted": 0, "set_aside": 0, "status": status}
    return type(result)(source={**result.source, **nothing})


def normalised_files(
    results: Iterable[FileResult], settings: Settings, faulty: StandIn | None = None
) -> Iterator[Taken]:
    """Normalise the tables of files that were read one by one, some files at a time.

    Parameters
    ----------
    results : one per file, in the order of the plan; each is taken and let go in turn.
    settings, faulty : as of ``normalise_files``.
    """
    waiting: list[FileResult] = []
    known: set[str] = set()
    cells = 0
    for found in results:
        result = _known(found) if found.source["file_sha256"] in known else found
        known |= {result.source["file_sha256"]} - {""}
        waiting.append(result)
        cells += sum(len(table.cells) for table in result.tables)
        del found, result
        if cells > _TOGETHER:
            yield normalise_files(waiting, settings, faulty)
            waiting, cells = [], 0
    if waiting:
        yield normalise_files(waiting, settings, faulty)


def normalise_files(results: Sequence[FileResult], settings: Settings, faulty: StandIn | None = None) -> Taken:
    """Normalise some files together; where that fails each alone, so that only the one at fault is left out.

    Parameters
    ----------
    results : each with other bytes.
    settings : of the run.
    faulty : gives what stands for a file at which the program fails, such as one whose books do not balance;
        without it the failure is raised.
    """
    try:
        return _normalised(results, NormaliseSettings(time_zone=settings.time_zone))
    except Exception as error:
        if faulty is None:
            raise
        if len(results) == 1:
            return Taken((_closed(faulty(results[0], error), 0, 0, ""),), ())
    alone = [normalise_files([result], settings, faulty) for result in results]
    return Taken(
        tuple(file for taken in alone for file in taken.files), tuple(part for taken in alone for part in taken.parts)
    )


def _normalised(results: Sequence[FileResult], how: NormaliseSettings) -> Taken:
    """Normalise the tables of some files at once and close the ledger of each."""
    tables = [table for result in results for table in result.tables]
    owners = [number for number, result in enumerate(results) for _ in result.tables]
    if not tables:
        return Taken(tuple(_closed(result, 0, 0, "") for result in results), ())
    done = normalise(tables, [results[owner].source["file_sha256"] for owner in owners], how)
    sums = pd.DataFrame({"owner": owners, "accepted": done.accepted, "aside": done.aside}).groupby("owner").sum()
    sums = sums.reindex(range(len(results)), fill_value=0)
    marks = [
        ", ".join(dict.fromkeys(m for own, m in zip(owners, done.decimal_marks, strict=True) if own == number and m))
        for number in range(len(results))
    ]
    counts = zip(results, sums["accepted"].tolist(), sums["aside"].tolist(), marks, strict=True)
    return Taken(tuple(_closed(*one) for one in counts), (done,))


def _closed(result: FileResult, accepted: int, aside: int, mark: str) -> FileResult:
    """Balance the books of one file and let its text go."""
    entries, aside = result.source["entries"], aside + len(result.set_aside)
    if entries != accepted + aside:
        name = result.source["name"]
        raise RuntimeError(f"{name}: {entries} entries read, but {accepted} accepted + {aside} set aside")
    ledger = {"accepted": accepted, "set_aside": aside, "decimal_mark": mark}
    return replace(result, source={**result.source, **ledger}, tables=())


def _gathered(results: Sequence[FileResult], parts: Sequence[Normalised]) -> Gathered:
    rows, readings = [], []
    offset = 0
    for part in parts:
        rows.append(part.rows)
        readings.append(part.readings.assign(row=part.readings["row"] + offset) if offset else part.readings)
        offset += len(part.rows)
    files = pd.DataFrame([result.source for result in results])
    kinds = {kind for result in results for kind in result.registers}
    return Gathered(
        files=files,
        rows=stacked_rows(rows) if rows else pd.DataFrame(),
        readings=stacked_frames(readings),
        set_aside=_named(files, [r.set_aside for r in results], [part.set_aside for part in parts]),
        notices=_named(files, [r.notices for r in results], [part.notices for part in parts]),
        registers={
            kind: pd.concat([r.registers[kind] for r in results if kind in r.registers], ignore_index=True)
            for kind in kinds
        },
        evidence={place: text for result in results for place, text in result.evidence.items()},
        kept=pd.concat(
            [r.kept.assign(file=r.source["name"]) for r in results if len(r.kept)] or [pd.DataFrame()],
            ignore_index=True,
        ),
    )


def _named(files: pd.DataFrame, own: Sequence[pd.DataFrame], joint: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put problems in the order of the files and into words, and name the file of each."""
    first = files.drop_duplicates("file_sha256").reset_index().set_index("file_sha256")["index"]
    held = [(frame, np.full(len(frame), place)) for place, frame in enumerate(own) if len(frame)]
    held += [(frame, _spread(first, frame["file_sha256"])) for frame in joint if len(frame)]
    if not held:
        return no_problems().assign(name=pd.Series(dtype="str"), message=pd.Series(dtype="str"))
    problems, place = stacked_frames([frame for frame, _ in held]), np.concatenate([at for _, at in held])
    named = problems.assign(name=TextColumn(place, tuple(files["name"])).category())
    if (np.diff(place) < 0).any():
        named = named.take(np.argsort(place, kind="stable")).reset_index(drop=True)
    return named.assign(message=messages(named))


def _spread(place: pd.Series, names: pd.Series) -> Places:
    """Look up each name; a category column by its few categories."""
    codes, distinct = pd.factorize(names)
    return place.reindex(distinct.astype("str")).to_numpy(dtype="int64")[codes]
