"""What every page needs: the settings, who asks, the language, and the template around it."""

from __future__ import annotations

import threading
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import pandas as pd
from flask import current_app, render_template, session, url_for

from pipeline.report.causes import printed_unit, significant
from pipeline.report.wording import SIGNS, VERDICT_WORDS
from pipeline.store.database import Store
from pipeline.visible import visible
from pipeline.words import DECIMAL_COMMA
from pipeline.words.labels import label_in, spoken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from flask import Flask

    from pipeline.desk.door import Door
    from pipeline.desk.uploads import Uploads
    from pipeline.settings import Settings

_KEY: Final = "kettlestone_desk"


@dataclass
class Desk:
    """What the pages share.

    Attributes
    ----------
    settings : of the desk.
    by : who decides where nobody says it.
    door : who comes in.
    uploads : files that are being taken in.
    turn : one request at a time uses the store: within one process the database is opened once.
    """

    settings: Settings
    by: str
    door: Door
    uploads: Uploads
    turn: threading.Lock = field(default_factory=threading.Lock)


def put_up(app: Flask, desk: Desk) -> None:
    """Give an app its desk, and its templates their words."""
    app.extensions[_KEY] = desk
    app.jinja_env.globals.update(
        t=label, who=who, language=language, signs=SIGNS, verdict_words=VERDICT_WORDS, team=bool(desk.door.user_header)
    )
    app.jinja_env.filters.update(
        number=written_number, unit=printed_unit, moment=written_moment, day=written_date, basename=file_of
    )


def here() -> Desk:
    """Give the desk of the request."""
    desk: Desk = current_app.extensions[_KEY]
    return desk


def desk_settings() -> Settings:
    """Give the settings of the desk."""
    return here().settings


def who() -> str:
    """Name who asks: as the proxy says, as typed on the page, or as set."""
    return str(session.get("by") or here().by)


def language() -> str:
    """Give the language of the pages."""
    return spoken(desk_settings().language)


def label(text: str, /, **values: object) -> str:
    """Give a text of the pages in their language."""
    return label_in(text, language(), **values)


def now() -> datetime:
    """Read the clock, UTC."""
    return datetime.now(UTC)


@contextmanager
def reading() -> Iterator[Store]:
    """Open the store to read: one state of it for the whole page."""
    with Store(desk_settings().store, read_only=True, wait_s=desk_settings().lock_wait_s) as store:
        yield store


def page(template: str, **values: Any) -> str:  # noqa: ANN401 - whatever the template shows
    """Render a page; what commands a screen or turns the order of letters is shown as a sign."""
    return visible(render_template(template, **values))


def address(name: str, **values: Any) -> str:  # noqa: ANN401 - parts of an address
    """Give the address of a page."""
    return url_for(name, **values)


def written_number(value: float | None, digits: int = 4) -> str:
    """Write a number with the decimal mark of the language; a dash where there is none."""
    text = significant(None if value is None or pd.isna(value) else float(value), digits)
    return text.replace(".", ",") if language() in DECIMAL_COMMA else text


def written_moment(value: Any) -> str:  # noqa: ANN401 - a time of the store, or none
    """Write a time of the store (UTC) as the clock of the bench shows it."""
    if value is None or pd.isna(value):
        return ""
    return f"{pd.Timestamp(value).tz_localize('UTC').astimezone(ZoneInfo(desk_settings().time_zone)):%Y-%m-%d %H:%M}"


def written_date(value: Any) -> str:  # noqa: ANN401 - a time of the store, or none
    """Write the day of a time, as the tables of the store do."""
    return "" if value is None or pd.isna(value) else f"{pd.Timestamp(value):%Y-%m-%d}"


def file_of(name: object) -> str:
    """Leave out the folders of a file's name."""
    return "" if name is None or (isinstance(name, float) and pd.isna(name)) else str(name).rpartition("/")[2]


def plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Give the rows of a frame with None for what is missing."""
    return [
        {str(name): None if _missing(value) else value for name, value in row.items()}
        for row in frame.to_dict("records")
    ]


def _missing(value: Any) -> bool:  # noqa: ANN401 - any cell
    return value is None or (pd.api.types.is_scalar(value) and bool(pd.isna(value)))
