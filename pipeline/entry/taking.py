"""Take a typed visit in: find its site, write its line, send it through the main job, or into a copy of the store."""

from __future__ import annotations

import hashlib
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from pipeline import intake
from pipeline.did_you_mean import nearest
from pipeline.entry.line import kit_sheet
from pipeline.entry.typed import legible_text
from pipeline.errors import KettlestoneError
from pipeline.settings import STORE_NAME
from pipeline.store.database import Store
from pipeline.store.files import known_files, samples_of_file
from pipeline.store.site_records import SiteName, known_sites, sites_called, visits_before
from pipeline.store.snapshot import snapshot

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    import pandas as pd

    from pipeline.entry.typed import TypedVisit
    from pipeline.kits import Kit
    from pipeline.settings import Settings

_MOST_OF_A_DAY: Final = 100
_LIKE: Final = 0.75  # share of like letters from which another name is worth telling


class Place(NamedTuple):
    """The site that is meant, whether the store knows it, and known names that are like it."""

    site: SiteName
    new: bool
    similar: tuple[str, ...] = ()


@dataclass(frozen=True)
class Entered:
    """What came of a visit.

    Attributes
    ----------
    label, sample_id : of its sample.
    again : whether the same line was taken in before.
    """

    label: str
    sample_id: str
    again: bool


def place_of(settings: Settings, text: str, client: str) -> Place:
    """Find the site a person means; a name that nobody knows is a new site.

    Parameters
    ----------
    settings : where the store is; there may be none yet.
    text : a site, "client / site", a code or a client with one site.
    client : the client where it is said apart, "" else.

    Raises
    ------
    KettlestoneError : several sites have that name, or the name is empty.
    """
    text, client = legible_text("site", text), legible_text("client", client)
    if not text:
        raise KettlestoneError("give the name of a site. Nothing was changed.")
    if not settings.store.exists():
        return Place(_new_site(text, client), new=True)
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found, known = sites_called(store, text), known_sites(store)
    if client.strip():
        found = [one for one in found if one.client.casefold() in ("", client.strip().casefold())]
    if len(found) > 1:
        listed = "\n".join(f"    {one.name}" for one in found)
        raise KettlestoneError(
            f'{len(found)} sites are called "{text}":\n{listed}\n  Nothing was changed.\n'
            '  Write it as "client / site", as above, or give --client.'
        )
    if found and found[0].client:
        return Place(found[0], new=False)
    new = _new_site(text, client)
    if found:
        return Place(SiteName(new.client, found[0].site), new=False)
    names = [site.site for site in known if site.site]
    return Place(new, new=True, similar=tuple(nearest(new.site, names, most=3, likeness=_LIKE)))


def last_visits(settings: Settings, place: Place, point: str) -> pd.DataFrame | None:
    """Give the samples of a site at one point with their numbers, the oldest first; None where there are none."""
    if place.new or not settings.store.exists():
        return None
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        found = visits_before(store, place.site, point)
    return found if len(found) else None


@contextmanager
def kept_or_tried(settings: Settings, *, preview: bool) -> Iterator[Settings]:
    """Give the settings to work with: one's own, or for a preview those of a copy that is thrown away."""
    if not preview:
        yield settings
        return
    with tempfile.TemporaryDirectory(prefix="kettlestone-") as name:
        folder = Path(name)
        copy = folder / STORE_NAME
        if settings.store.exists():
            with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
                snapshot(store, copy)
            copy.chmod(0o600)
        yield replace(settings, out=folder, store=copy)


def take(settings: Settings, place: Place, visit: TypedVisit, kit: Kit) -> Entered:
    """Send a visit through the main job as a kit sheet of one line, and find its sample.

    The same line a second time adds nothing.

    Raises
    ------
    KettlestoneError : the store cannot be used.
    """
    label, sheet, known = _labelled(settings, place, visit, kit)
    if not known:
        with tempfile.TemporaryDirectory(prefix="kettlestone-") as folder:
            path = Path(folder) / "typed.csv"
            path.write_bytes(sheet)
            job = intake.prepare_intake([path], settings)
            result = job.read(path)
            job.finish([replace(result, source={**result.source, "name": f"typed: {label}"})])
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        (sample_id, *_) = samples_of_file(store, hashlib.sha256(sheet).hexdigest())
    return Entered(label, sample_id, again=known)


def _labelled(settings: Settings, place: Place, visit: TypedVisit, kit: Kit) -> tuple[str, bytes, bool]:
    """Name the sample after its site, day and point, numbered where another one has the name; tell a known line."""
    labels: set[str] = set()
    files: set[str] = set()
    if settings.store.exists():
        with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
            files = set(known_files(store))
            labels = set(visits_before(store, place.site, "")["label"].dropna())
    first = _label(place, visit.on, visit.point)
    for number in range(1, _MOST_OF_A_DAY):
        label = first if number == 1 else f"{first} {number}"
        sheet = kit_sheet(*place.site, label, visit, kit)
        known = hashlib.sha256(sheet).hexdigest() in files
        if known or label not in labels:
            return label, sheet, known
    raise KettlestoneError(f"{first}: there are {_MOST_OF_A_DAY - 1} samples of that day. Nothing was changed.")


def _label(place: Place, on: date, point: str) -> str:
    name = place.site.site or place.site.client
    return f"{name} {on:%Y-%m-%d} {point.replace('_', ' ')}"


def _new_site(text: str, client: str) -> SiteName:
    owner, sign, site = text.partition("/")
    if sign and not client.strip():
        return SiteName(owner.strip(), site.strip())
    return SiteName(client.strip(), text.strip())
