"""`advise` and `report`: the answer about a site, in words and on its page, and kept in the store."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline.errors import KettlestoneError
from pipeline.fault_log import Fault, FaultLog
from pipeline.report.client import advice_text
from pipeline.report.client import page as client_page
from pipeline.report.client.letterhead import letterhead, page_name
from pipeline.report.client.sentences import Voice
from pipeline.report.client.units import own_unit
from pipeline.site.answer import SiteAnswer, answer_of
from pipeline.site.machines import machines_of
from pipeline.words import LANGUAGES

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from pipeline.settings import Settings
    from pipeline.site.record import Site

_DECIDED: Final = 0
_OPEN: Final = 1


class Asked(NamedTuple):
    """What a person may say in place of the records, and how the answer is to be worded."""

    machine: str = ""
    profile: str = ""
    litres_per_day: float | None = None
    language: str = "en"
    unit: str = ""


class Reply(NamedTuple):
    """Text for the screen, the exit code, and what went wrong beside it."""

    text: str
    exit_code: int
    trouble: str


def advise_on(settings: Settings, site: str, asked: Asked, today: date, *, as_json: bool = False) -> Reply:
    """Advise on the water of a site and keep the advice in the store.

    Parameters
    ----------
    settings : where the store is.
    site : site, "client / site", client with one site, or label of a sample.
    asked : what was asked for on the command line.
    today : the day of the advice.
    as_json : data for other programs in place of text.

    Returns
    -------
    Answer; its exit code is 0 where the advice is decided, else 1.

    Raises
    ------
    KettlestoneError : no store, no such site, machine, profile, unit or language.
    """
    report = build(settings, site, asked, today)
    voice = voice_for(report.site, asked)
    text = advice_text.advice_json(report, voice) if as_json else advice_text.advice_text(report, voice)
    return Reply(text, _exit_code(report), _keep(settings, report))


def write_report(settings: Settings, site: str, asked: Asked, today: date, out: Path | None = None) -> Reply:
    """Write the page of a site.

    Parameters
    ----------
    settings, site, asked, today : as for `advise_on`.
    out : file ending in ``.html`` or ``.pdf``; default ``<client>-<site>-<day>.html`` in the folder of results.

    Returns
    -------
    Answer; its text is the path of the page.

    Raises
    ------
    KettlestoneError : as for `advise_on`; another ending, no WeasyPrint for a PDF, or a file that cannot be written.
    """
    if out is not None and out.suffix.lower() not in (".html", ".pdf"):
        raise KettlestoneError(f"{out}: a report is written as .html or .pdf.\n  Nothing was written.")
    report = build(settings, site, asked, today)
    page = client_page.client_page(report, voice_for(report.site, asked), letterhead(settings))
    target = out or settings.out / f"{page_name(report.site.name, today)}.html"
    content = client_page.pdf(page) if target.suffix.lower() == ".pdf" else page.encode()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    except OSError as error:
        raise KettlestoneError(
            f"{target}: the report cannot be written ({error.strerror or error}).\n  Give another file with --out."
        ) from error
    return Reply(str(target), _exit_code(report), _keep(settings, report))


def write_reports(
    settings: Settings, batch_id: str | None, asked: Asked, today: date, folder: Path, ending: str = ".html"
) -> list[Reply]:
    """Write the page of every site that was tested, or of those with samples in one batch.

    Parameters
    ----------
    settings, asked, today : as for `advise_on`.
    batch_id : name of a batch; None for all sites.
    folder : for the pages; each is called by client, site and day.
    ending : ``.html`` or ``.pdf``.

    Returns
    -------
    an answer per site; one whose page could not be written has no text, exit code 1, and says why.

    Raises
    ------
    KettlestoneError : no store, no such batch, no site; or what the first page failed at, where all failed.
    """
    from pipeline.store.database import Store  # noqa: PLC0415 - duckdb is not needed by the page
    from pipeline.store.site_records import tested_sites  # noqa: PLC0415

    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        names = tested_sites(store, batch_id)
    if not names:
        which = "The store" if batch_id is None else f'Batch "{batch_id}"'
        raise KettlestoneError(f"{which} has no sample of a site.\n  Nothing was written.")
    replies: list[Reply] = []
    failures: list[Exception] = []
    log = FaultLog(settings.out, datetime.now(UTC), str(settings))
    for name in names:
        target = folder / f"{page_name(name, today)}{ending}"
        try:
            replies.append(write_report(settings, name.name, asked, today, target))
        except Exception as error:  # noqa: BLE001 - what fails at one page leaves the others
            failures.append(error)
            replies.append(Reply("", _OPEN, f"{target.name} was not written: {_failure(name.name, error, log)}"))
    if len(failures) == len(names):
        raise failures[0]
    return replies


def _failure(site: str, error: Exception, log: FaultLog) -> str:
    """Say why there is no page; a fault of the program has a log."""
    if isinstance(error, KettlestoneError):
        return str(error)
    return f"{Fault(site, error).words}.\n  Log: {log.add(site, error) or 'none could be written'}"


def build(settings: Settings, site: str, asked: Asked, today: date) -> SiteAnswer:
    """Gather a site and work its advice out; nothing is written.

    Parameters
    ----------
    settings, site, asked, today : as for `advise_on`.
    """
    from pipeline.store.database import Store  # noqa: PLC0415 - duckdb is not needed by the page

    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        return answer_of(
            store,
            site,
            today,
            machine=asked.machine,
            profile=asked.profile,
            litres_per_day=asked.litres_per_day,
            machines=machines_of(settings),
        )


def voice_for(site: Site, asked: Asked) -> Voice:
    """Choose language and unit of an answer about a site."""
    if asked.language not in LANGUAGES:
        raise KettlestoneError(f'language "{asked.language}": use one of {", ".join(LANGUAGES)}.')
    return Voice(asked.language, own_unit(site.facts.country, asked.unit, site.written_unit))


def _exit_code(report: SiteAnswer) -> int:
    return _DECIDED if report.advice.decision == "decided" else _OPEN


def _keep(settings: Settings, report: SiteAnswer) -> str:
    """Add the advice to the store; a store that cannot be written is said, not fatal: the answer stands."""
    from pipeline.store.database import Store  # noqa: PLC0415 - duckdb is not needed by the page
    from pipeline.store.site_records import add_advice  # noqa: PLC0415

    try:
        with Store(settings.store, wait_s=settings.lock_wait_s) as store:
            add_advice(store, advice_text.stored(report))
    except KettlestoneError as error:
        return f"the advice was not kept in the store: {error}"
    return ""
