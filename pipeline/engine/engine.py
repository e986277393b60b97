"""An engine takes a function over portions of work; what comes out does not depend on which."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

PortionT = TypeVar("PortionT")
OutcomeT = TypeVar("OutcomeT")


class Engine(Protocol):
    """Whatever does portions of work."""

    def map(self, function: Callable[[PortionT], OutcomeT], portions: Iterable[PortionT]) -> Iterator[OutcomeT]:
        """Give what the function makes of each portion, in their order.

        Parameters
        ----------
        function : of a module, or an object of one; what it gives depends on its portion alone.
        portions : taken one after the other, no sooner than the engine can begin with them.
        """


class ThisProcess:
    """The engine that needs nothing: one portion after the other, each when its outcome is asked for."""

    def map(self, function: Callable[[PortionT], OutcomeT], portions: Iterable[PortionT]) -> Iterator[OutcomeT]:
        """Do the portions here."""
        return map(function, portions)


HERE: Final[Engine] = ThisProcess()
