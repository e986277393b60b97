"""The folder of a batch: page, data and tables, whole or not there at all."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.errors import KettlestoneError
from pipeline.leftovers import process_has_ended
from pipeline.report.batch.assessment import block
from pipeline.report.batch.page import batch_page
from pipeline.report.batch.tables import write_csv
from pipeline.report.causes import questions_answered
from pipeline.visible import visible

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterator, Mapping

    from pipeline.fault_log import FaultLog
    from pipeline.report.batch.contents import Batch

_WORK: Final = ".writing-"
_OF_STORE: Final = ["cells_not_read", "not_read"]  # set_aside.csv has them cell by cell
_DAY_S: Final = 86_400.0
_PROBLEM_ORDER: Final = ["name", "line", "column", "raw_text", "problem", "message", "file_sha256"]
_FINDING_ORDER: Final = [
    "called",
    "label",
    "client",
    "site",
    "severity",
    "check_id",
    "message",
    "observed",
    "low",
    "high",
    "unit",
    "evidence",
    "sample_id",
    "file_sha256",
]
_EXPLANATION_ORDER: Final = [
    "called",
    "label",
    "client",
    "site",
    "about",
    "rank",
    "probability",
    "title",
    "mistake",
    "analyte",
    "other_analyte",
    "detail",
    "value_from",
    "value_to",
    "unit",
    "evidence",
    "pattern",
    "sample_id",
]


class UnnamedFolderError(KettlestoneError):
    """The folder of a stored batch could not be given its name."""


@dataclass(frozen=True)
class BatchFolder:
    """A batch's folder in the making: ``work`` holds the files until ``publish`` gives it its name."""

    work: Path
    final: Path

    def write_samples(self, batch: Batch, log: FaultLog) -> list[str]:
        """Write the largest table; its name is given back where the program fails at it.

        Raises
        ------
        KettlestoneError : no room, or writing is refused.
        """
        table = batch.samples.reset_index().drop(columns=_OF_STORE, errors="ignore")
        with self._writing():
            return self._file("samples.csv", lambda path: write_csv(table, path), log)

    def write_rest(self, batch: Batch, summary: dict[str, Any], log: FaultLog) -> None:
        """Write the page, the tables, and the same as JSON; a file that the program fails at is left out and named.

        Parameters
        ----------
        batch : the frames.
        summary : of the batch; what is left out is added to its `faults`.
        log : of the run.

        Raises
        ------
        KettlestoneError : no room, or writing is refused.
        """
        files: dict[str, Callable[[Path], object]] = {
            "summary.html": lambda path: path.write_text(
                visible(batch_page(summary, batch.waters, _blocks(batch, summary))), encoding="utf-8"
            ),
            "findings.csv": lambda path: write_csv(_with_labels(batch)[_FINDING_ORDER], path),
            "explanations.csv": lambda path: write_csv(_explanations(batch), path),
            "set_aside.csv": lambda path: write_csv(batch.set_aside[_PROBLEM_ORDER], path),
        }
        with self._writing():
            for name, write in files.items():
                summary["faults"] += self._file(name, write, log)
            (self.work / "summary.json").write_text(
                json.dumps(summary, indent=1, ensure_ascii=False, default=str), encoding="utf-8"
            )

    def _file(self, name: str, write: Callable[[Path], object], log: FaultLog) -> list[str]:
        """Write one file; where the program fails at it, it is left out and its name given back."""
        try:
            write(self.work / name)
        except OSError:
            raise
        except Exception as error:  # noqa: BLE001 - a batch is kept though a page of it cannot be made
            log.add(name, error)
            (self.work / name).unlink(missing_ok=True)
            return [name]
        return []

    @contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise _refused(self.final.parent, error) from error

    def publish(self) -> Path:
        """Give the folder its name, in place of an older one.

        Raises
        ------
        UnnamedFolderError : it could not; the folder stays as it is, complete.
        """
        try:
            self.work.chmod(0o755)
            if self.final.exists():
                shutil.rmtree(self.final)
            self.work.rename(self.final)
        except OSError as error:
            raise UnnamedFolderError(
                f"{self.final}: the batch is stored, but its folder could not be given its name "
                f"({error.strerror or error}).\n  The next import gives it its name."
            ) from error
        return self.final


@contextmanager
def folder_for(batch_id: str, out: Path, stored: Container[str] = ()) -> Iterator[BatchFolder]:
    """Make ``out/<batch id>/`` aside; what was not published when the block ends is removed.

    Parameters
    ----------
    batch_id : its name.
    out : the folder of all results.
    stored : batches that the store has; the folder of one whose run was killed before it had its name gets it now.

    Raises
    ------
    KettlestoneError : nothing may be written in ``out``.
    UnnamedFolderError : of ``publish``; the folder stays.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        _sweep(out, stored)
        work = Path(tempfile.mkdtemp(prefix=f"{_WORK}{os.getpid()}-{batch_id}-", dir=out))
    except OSError as error:
        raise _refused(out, error) from error
    unnamed = False
    try:
        yield BatchFolder(work, out / batch_id)
    except UnnamedFolderError:
        unnamed = True
        raise
    finally:
        if not unnamed:
            shutil.rmtree(work, ignore_errors=True)


def write_page(folder: Path, batch: Batch, summary: Mapping[str, Any]) -> None:
    """Write the page of a batch again, and the same as JSON, each whole or not at all; the tables stay as they were.

    Raises
    ------
    KettlestoneError : no room, or writing is refused.
    """
    texts = {
        "summary.json": json.dumps(summary, indent=1, ensure_ascii=False, default=str),
        "summary.html": batch_page(summary, batch.waters, _blocks(batch, summary)),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            part = folder / f"{_WORK}{name}"
            part.write_text(text, encoding="utf-8")
            part.replace(folder / name)
    except OSError as error:
        raise _refused(folder, error) from error


def _sweep(out: Path, stored: Container[str]) -> None:
    """Remove what runs that were killed left unfinished; a folder of a living process is not touched.

    A batch is stored when its folder is complete: one that the store has lacks nothing but the name of its folder.
    """
    for left in out.glob(f"{_WORK}*-*"):
        owner, batch_id = _made_by(left)
        if not (owner.isdigit() and _abandoned(left, int(owner))):
            continue
        if batch_id in stored and not (out / batch_id).exists():
            BatchFolder(left, out / batch_id).publish()
        else:
            shutil.rmtree(left, ignore_errors=True)


def _made_by(left: Path) -> tuple[str, str]:
    """Take process and batch from the name of an unfinished folder."""
    owner, _, named = left.name.removeprefix(_WORK).partition("-")
    return owner, named.rpartition("-")[0]


def _abandoned(left: Path, owner: int) -> bool:
    """Tell whether the process that made a folder has ended; where that cannot be asked, nothing changes for a day."""
    ended = process_has_ended(owner)
    return time.time() - left.stat().st_mtime > _DAY_S if ended is None else ended


def _refused(out: Path, error: OSError) -> KettlestoneError:
    return KettlestoneError(
        f"{out}: the results cannot be written ({error.strerror or error}).\n"
        "  Nothing of this batch was stored; earlier batches are safe.\n"
        "  Free some space or give another folder with --out, and run the same command again."
    )


def _blocks(batch: Batch, summary: Mapping[str, Any]) -> list[str]:
    return [] if batch.assessment is None else [block(batch.assessment, batch.waters, str(summary["language"]))]


def _explanations(batch: Batch) -> Any:  # noqa: ANN401 - pandas-stubs cannot type a frame joined by index
    """List the causes of every sample explained, the likeliest first; only the headings where there are none."""
    if batch.explained is None:
        return pd.DataFrame({name: pd.Series(dtype="str") for name in _EXPLANATION_ORDER})
    names = batch.samples[["called", "label", "client", "site"]]
    rows = batch.explained.explanations
    return rows.assign(about=questions_answered(rows["mistake"])).join(names, on="sample_id")[_EXPLANATION_ORDER]


def _with_labels(batch: Batch) -> Any:  # noqa: ANN401 - pandas-stubs cannot type a frame joined by index
    place = batch.samples.index.get_indexer(pd.Index(batch.findings["sample_id"]))
    names = {
        name: batch.samples[name].array.take(place, allow_fill=True) for name in ("called", "label", "client", "site")
    }
    return batch.findings.assign(**names)
