"""Portions of files, each taken as far as it can be without the others: here, or on a worker of a cluster."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import KettlestoneError
from pipeline.files_together import read_together
from pipeline.gathering import normalise_files
from pipeline.one_file import read_fetched

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.asking.ask import Answers
    from pipeline.fault_log import FaultLog
    from pipeline.fetching import Fetched
    from pipeline.gathering import Taken
    from pipeline.ingest.file_result import FileResult
    from pipeline.ingest.layouts import Layout
    from pipeline.settings import Settings


@dataclass(frozen=True)
class PortionReader:
    """Reads and normalises portions of files; calling it is what an engine does with each.

    Attributes
    ----------
    settings : of the run.
    layouts : those of the settings before the built-in ones.
    answers : what is known of units.
    """

    settings: Settings
    layouts: Sequence[Layout]
    answers: Answers

    def __call__(self, portion: Sequence[Fetched]) -> Taken | None:
        """Read and normalise some files; None where the program fails at any of them: they want more care then."""
        try:
            return normalise_files(self.results(portion), self.settings)
        except KettlestoneError:
            raise
        except Exception:  # noqa: BLE001 - read one by one, the file at fault is told and logged
            return None

    def results(self, portion: Sequence[Fetched], log: FaultLog | None = None) -> list[FileResult]:
        """Read some files: small ones under the same headings together.

        Parameters
        ----------
        portion : the files.
        log : takes up what the program itself fails at: that file is told as unreadable; without a log it is raised.
        """
        together = read_together(portion, self.settings, self.layouts, self.answers)
        return [
            together.get(place) or read_fetched(file, self.settings, self.layouts, self.answers, log)
            for place, file in enumerate(portion)
        ]
