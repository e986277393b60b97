"""The main job: read files, prove their records, store everything, write the summaries.

`prepare_intake` lists the files, `read_file` takes one file to tables of text; what comes then is told in
``pipeline.batch``. `run` does all of it in one process, ``pipeline.flow`` as a Prefect flow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain, tee
from pathlib import PurePath
from typing import TYPE_CHECKING

from pipeline.asking.ask import Answers
from pipeline.asking.shapes import known_shapes
from pipeline.batch import finish
from pipeline.culprits import culprits
from pipeline.engine.engine import HERE
from pipeline.fault_log import FaultLog
from pipeline.fetching import fetch
from pipeline.file_names import legible
from pipeline.file_portions import PortionReader
from pipeline.files_together import portions
from pipeline.gathering import normalise_files, normalised_files
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.reading import STANDARD_INPUT, discover
from pipeline.intake_change import what_is_given
from pipeline.one_file import faulty, other_kind, read_file, reader_limits
from pipeline.problems import KettlestoneError
from pipeline.stages import Silent
from pipeline.store.database import Store
from pipeline.store.files import known_files
from pipeline.store.shapes import cells_without_unit, kept_shapes

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from pipeline.batch import Finished
    from pipeline.engine.engine import Engine
    from pipeline.fetching import Fetched
    from pipeline.gathering import Taken
    from pipeline.ingest.file_result import FileResult
    from pipeline.ingest.layouts import Layout
    from pipeline.settings import Settings
    from pipeline.stages import Listener


@dataclass(frozen=True)
class Intake:
    """The main job on some files: ``read`` takes one after the other, ``finish`` all that was read.

    Attributes
    ----------
    files : to read, in a stable order.
    others : what folders hold beside them: files of other kinds, folders that may not be opened.
    settings : of the run.
    started : when the run began, UTC.
    layouts : those of the settings before the built-in ones.
    already : SHA-256 of the files the store has.
    listener : told of progress.
    answers : what is known of units.
    engine : does the portions of work.
    """

    files: tuple[Path, ...]
    others: tuple[Path, ...]
    settings: Settings
    started: datetime
    layouts: Sequence[Layout]
    already: Container[str]
    listener: Listener
    answers: Answers
    engine: Engine = HERE

    @property
    def log(self) -> FaultLog:
        """Give the log of what the program itself fails at."""
        return FaultLog(self.settings.out, self.started, str(self.settings))

    def read(self, path: Path) -> FileResult:
        """Take one file to tables of text; where the program itself fails, the file is told as unreadable."""
        try:
            result = read_file(path, self.settings, self.layouts, self.already, self.answers, self.log)
        except KettlestoneError:
            raise
        except Exception as error:  # noqa: BLE001 - one file must not take the others along
            result = faulty({"file_sha256": "", "name": legible(path), "bytes": 0}, error, self.log)
        self.listener.step(legible(path.name))
        return result

    def taken(self) -> Iterator[Taken]:
        """Take all files to readings, in their order and in portions, wherever the engine works.

        Raises
        ------
        KettlestoneError : bytes cannot be kept, or the engine fails.
        """
        reader = PortionReader(self.settings, self.layouts, self.answers)
        sent, kept = tee(self._fetched())
        for portion, taken in zip(kept, self.engine.map(reader, sent), strict=True):
            for file in portion:
                self.listener.step(PurePath(file.name).name)
            yield taken or normalise_files(reader.results(portion, self.log), self.settings, self._stand_in)

    def _fetched(self) -> Iterator[list[Fetched]]:
        """Fetch the files; one with the bytes of an earlier one is known."""
        seen: set[str] = set()
        for paths in portions(self.files):
            found = fetch(paths, self.settings.store, reader_limits(self.settings), self.already)
            for place, file in enumerate(found):
                found[place] = replace(file, known=file.known or file.content.sha256 in seen)
                seen |= {file.content.sha256} - {""}
            yield found

    def finish(self, results: Iterable[FileResult]) -> Finished:
        """Join, prove, store and write what was read of all files one by one, in their order; else as ``run``."""
        return self._guarded(lambda: self._normalised(results))

    def run(self) -> Finished:
        """Read all files, join, prove, store and write.

        Where the program fails, the files are tried apart: those at which it fails are told as unreadable, and the
        others are stored.

        Raises
        ------
        KettlestoneError : an answer is to nothing that waits, or the engine fails; nothing is stored.
        """
        return self.finish(map(self.read, self.files)) if self.answers.given else self._guarded(self.taken)

    def _guarded(self, taken: Callable[[], Iterator[Taken]]) -> Finished:
        try:
            return self._finished(taken())
        except KettlestoneError:
            raise
        except Exception as error:
            found = {} if STANDARD_INPUT in self.files else culprits(self.files, self._tried)
            if not found:
                raise
            self.log.add("all files together", error)
            return self._finished(self._normalised(self._read_but(found)))

    def _normalised(self, results: Iterable[FileResult]) -> Iterator[Taken]:
        if self.answers.given:
            results = list(results)
            self.answers.refuse_unused(results)
        return normalised_files(results, self.settings, self._stand_in)

    def _finished(self, taken: Iterator[Taken]) -> Finished:
        others = normalised_files(map(other_kind, self.others), self.settings)
        given = what_is_given(self.answers, self.layouts)
        return finish(chain(taken, others), self.settings, self.started, self.listener, given, self.engine)

    def _stand_in(self, result: FileResult, error: Exception) -> FileResult:
        return faulty(result.source, error, self.log)

    def _tried(self, files: Sequence[Path], folder: Path) -> None:
        """Take some of the files into a folder that is thrown away; of what is new in them nothing is left out."""
        apart = replace(self.settings, out=folder, store=folder / self.settings.store.name)
        job = replace(self, files=tuple(files), others=(), settings=apart, listener=Silent(), already=())
        finish(normalised_files(map(job.read, job.files), apart), apart, self.started, Silent())

    def _read_but(self, faults: Mapping[Path, Exception]) -> Iterator[FileResult]:
        for path in self.files:
            result = self.read(path)
            yield faulty(result.source, faults[path], self.log) if path in faults else result


def prepare_intake(
    paths: Sequence[Path],
    settings: Settings,
    listener: Listener | None = None,
    answers: Answers | None = None,
    engine: Engine = HERE,
) -> Intake:
    """Get ready to read files.

    Parameters
    ----------
    paths : files and folders; folders are searched recursively.
    settings : of the run.
    listener : told of progress.
    answers : units that are answered now, and by whom.
    engine : does the portions of work.

    Raises
    ------
    KettlestoneError : no files, or the store cannot be used; nothing was stored.
    """
    found = discover(paths)
    already, known = stored_knowledge(settings, answers or Answers())
    job = Intake(
        files=tuple(found.files),
        others=tuple(found.ignored),
        settings=settings,
        started=datetime.now(UTC),
        layouts=load_layouts(settings.layouts),
        already=already,
        listener=listener or Silent(),
        answers=known,
        engine=engine,
    )
    job.listener.stage("reading", len(job.files))
    return job


def stored_knowledge(settings: Settings, answers: Answers) -> tuple[dict[str, str], Answers]:
    """Look up the files the store has and what it knows of units; nothing where there is none yet, and none is made."""
    if not settings.store.exists():
        return {}, answers
    with Store(settings.store, wait_s=settings.lock_wait_s) as store:
        already, shapes = known_files(store), known_shapes(kept_shapes(store))
        waiting = cells_without_unit(store, already) if answers.given else {}
    return already, replace(answers, shapes=shapes, waiting=waiting)


def run(
    paths: Sequence[Path],
    settings: Settings,
    listener: Listener | None = None,
    answers: Answers | None = None,
    engine: Engine = HERE,
) -> Finished:
    """Do the main job; parameters and errors are those of ``prepare_intake`` and ``Intake.run``.

    Returns
    -------
    Finished : the summary and the batch folder.
    """
    return prepare_intake(paths, settings, listener, answers, engine).run()
