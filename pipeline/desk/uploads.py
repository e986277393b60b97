"""Files that are taken in while the desk goes on: a process of its own for each upload, and how far it is."""

from __future__ import annotations

import json
import pickle
import re
import secrets
import shutil
import subprocess
import sys
import tempfile
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

from pipeline.desk.taking import Request

if TYPE_CHECKING:
    from collections.abc import Sequence

    from werkzeug.datastructures import FileStorage

    from pipeline.settings import Settings

_KEPT: Final = 50  # uploads that are remembered
_LONGEST: Final = 120  # letters of a name
_NO_NAME: Final = re.compile(r"[^\w .()+-]+")  # what is neither a letter nor a figure, and no usual sign of a name
_COMMAND: Final = (sys.executable, "-P", "-m", "pipeline.desk.taking")


@dataclass
class Upload:
    """One upload: `state` is `running`, `done` or `failed`.

    ``stage``, ``total`` and ``step`` say how far it is, ``batch_id`` what came of it, ``lines`` what went wrong.
    """

    names: tuple[str, ...]
    state: str = "running"
    stage: str = ""
    total: int = 0
    step: int = 0
    batch_id: str = ""
    headline: str = ""
    lines: list[str] = field(default_factory=list)

    def hear(self, news: dict[str, Any]) -> None:
        """Take in what the process tells."""
        if "stage" in news:
            self.stage, self.total, self.step = news["stage"], news["total"], 0
        elif "step" in news:
            self.step += 1
        elif "batch_id" in news:
            self.batch_id, self.headline, self.state = news["batch_id"], news["headline"], "done"
        elif "failed" in news:
            self.lines, self.state = news["failed"].splitlines(), "failed"


class Uploads:
    """The uploads of a desk, the latest last."""

    def __init__(self) -> None:
        """Begin with none."""
        self._known: OrderedDict[str, Upload] = OrderedDict()

    def get(self, key: str) -> Upload | None:
        """Give an upload by its key."""
        return self._known.get(key)

    def running(self) -> list[tuple[str, Upload]]:
        """List the uploads that are not done."""
        return [(key, one) for key, one in self._known.items() if one.state == "running"]

    def send(self, files: Sequence[FileStorage], settings: Settings, by: str) -> str:
        """Keep uploaded files aside and take them in; returns the key of the upload."""
        folder = Path(tempfile.mkdtemp(prefix="kettlestone-desk-"))
        named: list[tuple[Path, str]] = []
        try:
            for place, file in enumerate(files):
                name = safe_name(file.filename or "")
                path = folder / str(place) / name
                path.parent.mkdir()
                file.save(path)
                named.append((path, name))
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return self.take(named, settings, by, folder=folder)

    def take(
        self,
        named: Sequence[tuple[Path, str]],
        settings: Settings,
        by: str,
        *,
        units: Sequence[str] = (),
        folder: Path | None = None,
    ) -> str:
        """Take files in by a process of its own; returns the key of the upload.

        Parameters
        ----------
        named : where each file lies, and what it is called.
        settings : of the run.
        by : who brings them.
        units : answers about units, "calcium=mg/L".
        folder : is deleted when all is done.
        """
        key = secrets.token_urlsafe(8)
        upload = Upload(tuple(name for _, name in named))
        self._known[key] = upload
        while len(self._known) > _KEPT:
            self._known.popitem(last=False)
        request = Request(tuple(named), settings, tuple(units), by)
        threading.Thread(target=_follow, args=(upload, request, folder), daemon=True).start()
        return key


def _follow(upload: Upload, request: Request, folder: Path | None) -> None:
    """Run the process and take in what it tells, line by line."""
    try:
        with subprocess.Popen(_COMMAND, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:  # noqa: S603 - own code
            _tell(process.stdin, request)
            for line in process.stdout or ():
                upload.hear(json.loads(line))
        if upload.state == "running":
            upload.hear({"failed": f"The process that took the files in ended with code {process.returncode}."})
    finally:
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)


def _tell(pipe: IO[bytes] | None, request: Request) -> None:
    if pipe is not None:
        with pipe:
            pickle.dump(request, pipe)


def safe_name(name: str) -> str:
    r"""Make of what a browser calls a file a name without folders, that hides nothing and commands nothing.

    Example
    -------
    >>> safe_name("../../etc/passwd"), safe_name("C:\\data\\Härte 2.csv"), safe_name("..")
    ('passwd', 'Härte 2.csv', 'file')
    """
    last = name.replace("\\", "/").rpartition("/")[2]
    plain = _NO_NAME.sub("_", last).strip(" .")
    stem, dot, ending = plain.rpartition(".")
    return (f"{stem[: _LONGEST - 20]}{dot}{ending[:15]}" if dot else plain[:_LONGEST]) or "file"
