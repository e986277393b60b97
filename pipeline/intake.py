"""The main job: read files, prove their records, store everything, write the summaries.

Stages are plain functions. `plan` lists the files, `read_file` takes one file to readings, `finish`
joins all files into samples, checks them, stores the batch and writes its folder. `run` wires them for
one process; ``pipeline.flow`` wires the same three as a Prefect flow.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline import __version__
from pipeline.checks.limits import Limits
from pipeline.checks.run import Checked, run_all
from pipeline.ingest.extract import Extract, extract
from pipeline.ingest.layouts import Layout, load, match
from pipeline.ingest.reading import Discovered, Unreadable, discover, grids, read
from pipeline.normalise import derived
from pipeline.normalise.readings import NormaliseSettings, normalise
from pipeline.normalise.sample_table import SampleTable, widen
from pipeline.normalise.samples import assemble
from pipeline.problems import messages, no_problems, problem_frame
from pipeline.report.folder import write_folder
from pipeline.store.archive import keep
from pipeline.store.database import Store
from pipeline.store.read import known_files, prior, registers
from pipeline.store.write import BatchRecord, write_batch

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.settings import Settings


def _silent(_: str) -> None:
    """Say nothing: the default progress."""


@dataclass(frozen=True)
class FileResult:
    """One file, taken as far as its own content allows.

    Attributes
    ----------
    source : one row for the table `source_file`.
    known : the store has this file already; nothing of it is new.
    rows, readings : as ``normalise`` gives them, all sheets one after the other.
    set_aside, notices : problems (PROBLEM_COLUMNS).
    sites, treatments : register rows, if the file is a register.
    entries : measurement cells counted in the file.
    """

    source: dict[str, Any]
    known: bool = False
    rows: pd.DataFrame = field(default_factory=pd.DataFrame)
    readings: pd.DataFrame = field(default_factory=pd.DataFrame)
    set_aside: pd.DataFrame = field(default_factory=no_problems)
    notices: pd.DataFrame = field(default_factory=no_problems)
    sites: pd.DataFrame = field(default_factory=pd.DataFrame)
    treatments: pd.DataFrame = field(default_factory=pd.DataFrame)
    entries: int = 0
