"""Compiled templates are kept where Python keeps compiled modules, so that only the first run compiles them."""

from __future__ import annotations

import sys
from contextlib import suppress
from importlib.metadata import version
from importlib.util import cache_from_source
from pathlib import Path
from typing import TYPE_CHECKING

from jinja2 import FileSystemBytecodeCache

if TYPE_CHECKING:
    from jinja2.bccache import Bucket


class BesideModules(FileSystemBytecodeCache):
    """The ``__pycache__`` of this package as a store of templates, under the rules that Python has for modules.

    A template that was changed is compiled again, and so are all after a change of Python or jinja2. Nothing
    is written where Python was told to write none, or where nobody may write: then every run compiles.
    """

    def __init__(self) -> None:
        """Find the folder; it need not exist."""
        super().__init__(str(Path(cache_from_source(__file__)).parent), f"%s.jinja2-{version('jinja2')}")

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Write one template, whole or not at all."""
        if not sys.dont_write_bytecode:
            with suppress(OSError):
                super().dump_bytecode(bucket)
