"""Which findings are meant: by number, or all open ones of a sample, a check or a file."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.store.database import Store, absent
from pipeline.store.findings import findings, known_check, known_file
from pipeline.store.reach import DATE_QUESTION
from pipeline.store.samples import find_sample

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.settings import Settings


class Selected(NamedTuple):
    """What a person named: numbers, or a sample, a check, a file; None = not named."""

    numbers: Sequence[int]
    sample: str | None = None
    check: str | None = None
    file_name: str | None = None

    @property
    def named(self) -> bool:
        """Tell whether anything but numbers was named."""
        return any(name is not None for name in self[1:])


def select(settings: Settings, selected: Selected, action: str) -> list[int]:
    """List the numbers of the findings that are meant, the gravest first.

    Parameters
    ----------
    settings : where the store is.
    selected : what was named; numbers stand for themselves.
    action : ``reopen`` is for findings that were answered, all others are for those that are open.

    Raises
    ------
    KettlestoneError : nothing was named, both numbers and something else, or nothing fits.
    """
    if bool(selected.numbers) == selected.named:
        raise KettlestoneError(
            "say which findings are answered: their numbers, or --sample, --check or --file.\n"
            f"  {UNCHANGED}\n  kettlestone findings lists what waits, with its number."
        )
    if selected.numbers:
        return list(dict.fromkeys(selected.numbers))
    if not settings.store.exists():
        raise absent(settings.store)
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        sample_id = find_sample(store, selected.sample) if selected.sample else None
        check_id = known_check(store, selected.check) if selected.check else None
        file_sha256 = known_file(store, selected.file_name) if selected.file_name else None
        found = findings(store, sample_id=sample_id, check_id=check_id)
    if file_sha256:
        found = found[found["file_sha256"] == file_sha256]
    if action == "reopen":
        wanted = found[found["decision"].notna() & (found["decision"] != "reopen")]
    else:
        # Which of day and month comes first holds nothing, and yet is asked.
        unanswered = found["decision"].isna() | (found["decision"] == "reopen")
        of_dates = (found["check_id"] == DATE_QUESTION) & unanswered & (check_id == DATE_QUESTION)
        wanted = found[(found["waits_for"] != "") | of_dates]
    if wanted.empty:
        which = "was answered" if action == "reopen" else "is open"
        raise KettlestoneError(f"no finding of these {which}.\n  {UNCHANGED}\n  kettlestone findings lists what waits.")
    return [int(number) for number in wanted["finding_id"]]
