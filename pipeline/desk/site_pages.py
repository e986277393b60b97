"""The pages of sites: where they stand, their course, the retest and the advice; and a visit typed in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from flask import flash, redirect, request, url_for

from pipeline.desk.pages import desk_settings, label, language, now, page, plain_rows, reading
from pipeline.desk.sample_pages import site_pictures
from pipeline.entry.line import VISIT_FACTS
from pipeline.entry.taking import last_visits, place_of, take
from pipeline.entry.typed import METERED, POINTS, TITRATED
from pipeline.entry.visit import remarks_on, typed_visit
from pipeline.errors import KettlestoneError
from pipeline.kits import known_kits, named_kit
from pipeline.report.client.advice_text import told
from pipeline.report.client.answer import Asked, advise_on, voice_for
from pipeline.report.terminal.retest import retest_told
from pipeline.site.answer import answer_of
from pipeline.site.machines import machines_of
from pipeline.store.faults import StoreLockedError
from pipeline.store.site_ledger import site_ledger
from pipeline.store.site_records import site_samples

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from pipeline.site.answer import SiteAnswer

_FIELDS: Final = (*TITRATED, *METERED)
_TYPED: Final = (*_FIELDS, *VISIT_FACTS, "site", "client", "point", "kit", "volume_used", "date")
_MOST: Final = 1000
_COURSE: Final = 60


def show_sites() -> ResponseReturnValue:
    """List the sites with their last visit and what waits there."""
    text = request.args.get("find", "").strip()
    with reading() as store:
        found = site_ledger(store)
    if text:
        named = (found["client"] + " / " + found["site"]).str.casefold()
        found = found[named.str.contains(text.casefold(), regex=False)]
    return page("sites.html", sites=plain_rows(found.head(_MOST)), total=len(found), find=text)


def show_site() -> ResponseReturnValue:
    """Show a site: its course, whether what is fitted works, and what to do."""
    name = request.args.get("name", "")
    today, asked = now().date(), Asked(language=language())
    with reading() as store:
        answer = answer_of(store, name, today, machines=machines_of(desk_settings()))
        site = answer.site.name
        samples = site_samples(store, site)
        pictures = site_pictures(store, site)
    advised = told(answer, voice_for(answer.site, asked))
    return page(
        "site.html",
        name=site.name,
        samples=plain_rows(samples.tail(_COURSE).iloc[::-1]),
        total=len(samples),
        pictures=pictures,
        advice=advised,
        retested=_retested(answer),
    )


def _retested(answer: SiteAnswer) -> list[str]:
    """Say whether the treatment works, in the words of the command; why not where nothing can be said."""
    try:
        return retest_told(answer, as_json=False, language=language()).text.splitlines()
    except KettlestoneError as error:
        return str(error).splitlines()[:1]


def show_entry() -> ResponseReturnValue:
    """Ask for the readings of a visit, with the last visit beside each."""
    return _entry_page({name: request.args.get(name, "").strip() for name in _TYPED})


def _entry_page(typed: dict[str, str], trouble: tuple[str, ...] = ()) -> str:
    settings = desk_settings()
    last = None
    if typed["site"] and not trouble:
        point = typed["point"] or POINTS[0]
        before = last_visits(settings, place_of(settings, typed["site"], typed["client"]), point)
        last = None if before is None else plain_rows(before.tail(1))[0]
    return page(
        "enter.html",
        typed=typed,
        trouble=trouble,
        last=last,
        kits=list(known_kits(settings.kits).values()),
        kit=typed["kit"] or settings.kit,
        points=POINTS,
        titrated=TITRATED,
        metered=METERED,
        machines=list(machines_of(settings)),
        today=f"{now():%Y-%m-%d}",
    )


def enter_visit() -> ResponseReturnValue:
    """Take a visit in as `enter` does, advise on its site, and show both."""
    typed: dict[str, Any] = {name: request.form.get(name, "").strip() for name in _TYPED}
    settings, at = desk_settings(), now()
    try:
        kit = named_kit(typed["kit"] or settings.kit, settings.kits)
        read = {name: typed[name] or None for name in _FIELDS}
        said = {**typed, **read, "on": typed["date"], "point": typed["point"] or POINTS[0]}
        visit = typed_visit(said, kit, at, machines_of(settings))
        place = place_of(settings, typed["site"], typed["client"])
        entered = take(settings, place, visit, kit)
    except StoreLockedError:
        raise
    except KettlestoneError as error:
        return _entry_page(typed, tuple(str(error).splitlines())), 400
    for line in remarks_on(place, entered.again):
        flash(line, "")
    if visit.point == "bottled":
        return redirect(url_for("sample", sample_id=entered.sample_id))
    advised = advise_on(settings, place.site.name, Asked(language=language()), at.date())
    if advised.trouble:
        flash(advised.trouble, "")
    flash(label("Entered: {label}", label=entered.label), f"sample {entered.sample_id}")
    return redirect(url_for("site", name=place.site.name))
