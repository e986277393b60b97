"""What a run may be told: settings from a TOML file, each with its default and meaning."""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from pipeline.problems import KettlestoneError


@dataclass(frozen=True)
class Settings:
    """Settings of one run; the run's copy is kept in the store with its batch.

    Attributes
    ----------
    out : folder for the batch folders.
    store : the DuckDB file.
    layouts : folder with layouts of your own, searched before the built-in ones.
    time_zone : of dates and times that name none (IANA name).
    sample_window_hours : unlabelled readings at one point count as one sample within this time [h].
    max_file_mb : a larger input file is refused [MB].
    assess_most : a batch of more new samples is stored and checked, but assessed only when asked.
    explain_most : in a batch of more new samples the mistake is looked for at once only in those that the summary
        lists, the worst 200; in the others when asked.
    lock_wait_s : how long to wait for another process that writes to the store [s].
    """

    out: Path = Path("outputs")
    store: Path = Path("outputs/kettlestone.duckdb")
    layouts: Path | None = None
    time_zone: str = "UTC"
    sample_window_hours: float = 1.0
    max_file_mb: int = 2048
    assess_most: int = 5000
    explain_most: int = 1000
    lock_wait_s: float = 30.0

    def plain(self) -> dict[str, Any]:
        """Give the settings as JSON-ready values."""
        return {name: str(value) if isinstance(value, Path) else value for name, value in asdict(self).items()}


def load(path: Path | None, **overrides: object) -> Settings:
    """Read settings from ``path`` or ``kettlestone.toml`` in the current folder, if there is one.

    Parameters
    ----------
    path : a TOML file; None looks for the default name.
    overrides : values from the command line; None means not given.

    Raises
    ------
    KettlestoneError : the file is missing or not TOML, or names a setting that does not exist.
    """
    values: dict[str, Any] = {}
    chosen = path or Path("kettlestone.toml")
    if path is not None or chosen.is_file():
        try:
            values = tomllib.loads(chosen.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise KettlestoneError(
                f"{chosen}: the settings cannot be read ({error}). Nothing was imported. "
                "Correct the file or leave it out."
            ) from error
    known = {field.name for field in fields(Settings)}
    unknown = sorted(set(values) - known)
    if unknown:
        raise KettlestoneError(
            f'{chosen}: there is no setting "{unknown[0]}". Known settings: {", ".join(sorted(known))}. '
            "Nothing was imported."
        )
    values |= {name: value for name, value in overrides.items() if value is not None}
    folders: dict[str, Any] = {
        name: Path(str(values.pop(name))) for name in ("out", "store", "layouts") if name in values
    }
    return replace(Settings(**values), **folders)
