"""What waits for an answer, in the order of `findings`: whole files first, then the samples, the gravest first."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from pipeline.report.terminal.findings import ANSWER, FindingsWanted, listed_findings

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.store.database import Store

_NARROWING: Final = ("sample", "check", "batch", "file")  # parts of an address
EVERYTHING: Final = "all"


@dataclass(frozen=True)
class Queue:
    """The numbers of the findings that wait, and what narrows them.

    Attributes
    ----------
    numbers : in the order in which they come.
    narrowed : of a page's address: `sample check batch file`, those that are given.
    """

    numbers: tuple[int, ...]
    narrowed: Mapping[str, str]

    def place(self, number: int) -> int:
        """Say which in the row a finding is, from 1; 0 where it does not wait."""
        return self.numbers.index(number) + 1 if number in self.numbers else 0

    def behind(self, number: int) -> int | None:
        """Give the finding that comes after one, from the front again after the last; None where no other waits."""
        at = self.place(number)
        others = [*self.numbers[at:], *self.numbers[: max(at - 1, 0)]]
        return next((other for other in others if other != number), None)

    def before(self, number: int) -> int | None:
        """Give the finding that comes before one; None for the first."""
        at = self.place(number)
        return self.numbers[at - 2] if at > 1 else None

    def next_of(self, earlier: Queue, number: int) -> int | None:
        """Give the next that still waits after a finding was answered, in the order as it was; new ones come last."""
        at = earlier.place(number)
        order = [*earlier.numbers[at:], *earlier.numbers[:at]]
        waiting = set(self.numbers)
        return next((other for other in order if other in waiting), next(iter(self.numbers), None))


def narrowed_by(values: Mapping[str, str]) -> dict[str, str]:
    """Take from an address or a form what narrows the findings."""
    return {name: values[name].strip() for name in _NARROWING if values.get(name, "").strip()}


def wanted(narrowed: Mapping[str, str], *, everything: bool = False) -> FindingsWanted:
    """Say which findings are wanted, as the command `findings` is told."""
    return FindingsWanted(
        sample=narrowed.get("sample"),
        check_id=narrowed.get("check"),
        batch_id=narrowed.get("batch"),
        file_name=narrowed.get("file"),
        everything=everything,
    )


def queue_of(store: Store, narrowed: Mapping[str, str]) -> Queue:
    """Line up what waits for an answer; what waits for a repeated reading does not."""
    asked = replace(wanted(narrowed), waiting_for=ANSWER)
    return Queue(tuple(int(number) for number in listed_findings(store, asked)["finding_id"]), narrowed)
