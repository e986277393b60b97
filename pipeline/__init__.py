"""The way of the data: ingest, normalise, check, assess, store, report."""

from typing import Final

__version__: Final = "0.1.0"
