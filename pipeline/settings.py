"""What a run may be told: settings from a TOML file, each with its default, its meaning and what it accepts."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, available_timezones

from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.words import LANGUAGES

if TYPE_CHECKING:
    from collections.abc import Callable

DEFAULT_FILE: Final = Path("kettlestone.toml")
STORE_NAME: Final = "kettlestone.duckdb"


class Accepted(NamedTuple):
    """What a setting accepts: in words, and a function from the value in the file to the setting.

    The function raises ValueError where the value is none of these; its text, if any, is a hint.
    """

    words: str
    read: Callable[[Any], Any]


def _path(value: object) -> Path:
    if not isinstance(value, str) or not value.strip():
        raise ValueError
    return Path(value)


def _name(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError
    return value.strip()


def _time_zone(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError  # noqa: TRY004 - one exception says "not accepted"
    try:
        ZoneInfo(value)
    except (OSError, ValueError, LookupError) as error:
        raise ValueError(did_you_mean(value, available_timezones())) from error
    return value


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _amount(value: Any) -> float:  # noqa: ANN401 - whatever the file holds
    if not _is_number(value) or value < 0:
        raise ValueError
    return float(value)


def _count(value: Any) -> int:  # noqa: ANN401 - whatever the file holds
    if not _is_number(value) or value < 0 or value != int(value):
        raise ValueError
    return int(value)


def _count_from_1(value: object) -> int:
    if (count := _count(value)) < 1:
        raise ValueError
    return count


def _language(value: object) -> str:
    if value not in LANGUAGES:
        raise ValueError(did_you_mean(str(value), LANGUAGES))
    return str(value)


def _port(value: Any) -> int:  # noqa: ANN401 - whatever the file holds
    if not 1 <= (port := _count(value)) <= _LAST_PORT:
        raise ValueError
    return port


def _address(value: object) -> str:
    """Read the address of a site: scheme and host, perhaps a port, and nothing behind it."""
    text = _name(value).rstrip("/").lower()
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname or text != f"{parts.scheme}://{parts.netloc}":
        raise ValueError
    return text


def _header(value: object) -> str:
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9-]*", text := _name(value)):
        raise ValueError
    return text


_LAST_PORT: Final = 65_535
_FOLDER: Final = {"accepted": Accepted('a folder, for example "results"', _path)}
_FILE: Final = {"accepted": Accepted('a file, for example "results/kettlestone.duckdb"', _path)}
_KITS: Final = {"accepted": Accepted('a file, for example "kits.toml"', _path)}
_MACHINES: Final = {"accepted": Accepted('a file, for example "machines.toml"', _path)}
_PICTURE: Final = {"accepted": Accepted('a picture, for example "logo.png"', _path)}
_NAME: Final = {"accepted": Accepted("a name in quotation marks", _name)}
_ZONE: Final = {"accepted": Accepted('the name of a time zone, for example "Europe/Zurich"', _time_zone)}
_AMOUNT: Final = {"accepted": Accepted("a number from 0 up", _amount)}
_COUNT: Final = {"accepted": Accepted("a whole number from 0 up", _count)}
_LANGUAGE: Final = {"accepted": Accepted(f"one of {', '.join(LANGUAGES)}", _language)}
_PORT: Final = {"accepted": Accepted("a port from 1 to 65535", _port)}
_ADDRESS: Final = {"accepted": Accepted('an address, for example "https://bench.example.org"', _address)}
_HEADER: Final = {"accepted": Accepted('the name of a header, for example "Remote-User"', _header)}
_COUNT_FROM_1: Final = {"accepted": Accepted("a whole number from 1 up", _count_from_1)}


@dataclass(frozen=True)
class Settings:
    """Settings of one run; the run's copy is kept in the store with its batch.

    Attributes
    ----------
    out : folder for the batch folders.
    store : the DuckDB file.
    layouts : folder with layouts of your own, searched before the built-in ones.
    by : who decides, where a command does not say it.
    time_zone : of dates and times that name none (IANA name).
    sample_window_hours : unlabelled readings at one point count as one sample within this time [h].
    max_file_mb : a larger input file is refused [MB].
    reader_memory_mb : what the process that reads workbooks, PDFs and compressed files may take [MiB]; where the system
        has no such limit (Windows), sizes alone are checked.
    reader_seconds : how long reading one of them may take [s].
    reader_cells : the most cells of a workbook, from the first to the last that is filled, all sheets together.
    reader_columns : the most columns of a table; a line may have 1,024 bytes for each.
    reader_pages : the most pages of a PDF.
    reader_parts : the most parts of a workbook's package.
    reader_unpacked_times : how many times its size a compressed file or a workbook may unpack to.
    assess_most : a batch of more new samples is stored and checked, but assessed only when asked.
    explain_most : in a batch of more new samples the likely mistakes are told at once only of those that the summary
        lists, the worst 200; of the others when asked. The verdicts do not depend on it.
    lock_wait_s : how long to wait for another process that writes to the store [s].
    kit : the kit whose drops are counted where none is named.
    kits : file with kits of your own.
    machines : file with machines of your own.
    firm : the consultant's name on a client's page.
    contact : the address there; its lines.
    signed_by : who signs the page.
    logo : a picture for the page.
    language : of sentences, where a command does not say it; the desk speaks English and German.
    desk_port : where the desk listens, on this machine alone.
    desk_upload_mb : the most that is uploaded to the desk at once [MB].
    desk_upload_files : the most files that are uploaded to the desk at once.
    desk_address : the address of a team's desk, served by a reverse proxy on this machine that asks for a password.
    desk_user_header : the header in which that proxy says who asks; both, or neither.
    """

    out: Path = field(default=Path("outputs"), metadata=_FOLDER)
    store: Path = field(default=Path("outputs") / STORE_NAME, metadata=_FILE)
    layouts: Path | None = field(default=None, metadata=_FOLDER)
    by: str | None = field(default=None, metadata=_NAME)
    time_zone: str = field(default="UTC", metadata=_ZONE)
    sample_window_hours: float = field(default=1.0, metadata=_AMOUNT)
    max_file_mb: int = field(default=2048, metadata=_COUNT_FROM_1)
    reader_memory_mb: int = field(default=2048, metadata=_COUNT_FROM_1)
    reader_seconds: float = field(default=120.0, metadata=_AMOUNT)
    reader_cells: int = field(default=25_000_000, metadata=_COUNT_FROM_1)
    reader_columns: int = field(default=16_384, metadata=_COUNT_FROM_1)
    reader_pages: int = field(default=500, metadata=_COUNT_FROM_1)
    reader_parts: int = field(default=10_000, metadata=_COUNT_FROM_1)
    reader_unpacked_times: int = field(default=200, metadata=_COUNT_FROM_1)
    assess_most: int = field(default=5000, metadata=_COUNT)
    explain_most: int = field(default=1000, metadata=_COUNT)
    lock_wait_s: float = field(default=30.0, metadata=_AMOUNT)
    kit: str = field(default="german-degree", metadata=_NAME)
    kits: Path | None = field(default=None, metadata=_KITS)
    machines: Path | None = field(default=None, metadata=_MACHINES)
    firm: str | None = field(default=None, metadata=_NAME)
    contact: str | None = field(default=None, metadata=_NAME)
    signed_by: str | None = field(default=None, metadata=_NAME)
    logo: Path | None = field(default=None, metadata=_PICTURE)
    language: str = field(default="en", metadata=_LANGUAGE)
    desk_port: int = field(default=8470, metadata=_PORT)
    desk_upload_mb: int = field(default=50, metadata=_COUNT_FROM_1)
    desk_upload_files: int = field(default=20, metadata=_COUNT_FROM_1)
    desk_address: str | None = field(default=None, metadata=_ADDRESS)
    desk_user_header: str | None = field(default=None, metadata=_HEADER)

    def plain(self) -> dict[str, Any]:
        """Give the settings as JSON-ready values."""
        return {name: str(value) if isinstance(value, Path) else value for name, value in asdict(self).items()}


NAMES: Final = tuple(one.name for one in fields(Settings))


def load_settings(path: Path | None, **overrides: Path | None) -> Settings:
    """Read settings from ``path`` or ``kettlestone.toml`` in the current folder, if there is one.

    Parameters
    ----------
    path : a TOML file; None looks for the default name.
    overrides : paths from the command line, by the name of their setting; None means not given.

    Raises
    ------
    KettlestoneError : the file is missing or not TOML, names a setting that does not exist, or gives a value that a
        setting does not accept. Every fault of the file is named, with its line.
    """
    chosen = path or DEFAULT_FILE
    stated = _checked(chosen, _text(chosen)) if path is not None or chosen.is_file() else {}
    return Settings(**{**stated, **{name: value for name, value in overrides.items() if value is not None}})


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise _unreadable(path, error.strerror or str(error)) from error
    except UnicodeDecodeError as error:
        raise _unreadable(path, f"it is not UTF-8, byte {error.start + 1}") from error


def _unreadable(path: Path, why: str) -> KettlestoneError:
    return KettlestoneError(
        f"{path}: the settings cannot be read: {why}.\n  {UNCHANGED}\n  Correct the file or leave it out."
    )


def _checked(path: Path, text: str) -> dict[str, Any]:
    """Read every value; all that cannot be used are named together."""
    try:
        stated = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _unreadable(path, str(error)) from error
    known = {one.name: one for one in fields(Settings)}
    values: dict[str, Any] = {}
    faults = []
    for name, value in stated.items():
        place = f"{path}:{line}" if (line := _line(text, name)) else str(path)
        if name not in known:
            faults.append(f'{place}: there is no setting "{name}"{did_you_mean(name, known)}')
            continue
        accepted: Accepted = known[name].metadata["accepted"]
        try:
            values[name] = accepted.read(value)
        except ValueError as error:
            faults.append(f"{place}: {name} is {_written(value)}, expected {accepted.words}{str(error) or '.'}")
    if faults:
        unknown = not set(stated) <= set(known)
        listed = [f"Settings: {', '.join(sorted(known))}."] if unknown else []
        raise KettlestoneError("\n  ".join([*faults, UNCHANGED, *listed, "Correct the line or leave it out."]))
    return values


def _line(text: str, name: str) -> int:
    """Find the line on which a key or a table of the file stands; 0 where it is written in another way."""
    key = rf"""["']?{re.escape(name)}["']?"""
    found = re.search(rf"^[ \t]*(?:{key}[ \t]*[=.]|\[+[ \t]*{key}[ \t]*[\].])", text, re.MULTILINE)
    return text.count("\n", 0, found.end()) + 1 if found else 0


def _written(value: object) -> str:
    """Write a value much as it stands in the file."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    return f'"{value}"' if isinstance(value, str) else str(value)
