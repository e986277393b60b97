"""Progress on the terminal's error stream; silent where nobody looks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from types import TracebackType

    from rich.progress import Progress as Bars
    from rich.progress import TaskID


class Progress:
    """Show a bar per stage of the run; a context manager and an ``intake.Listener``."""

    def __init__(self, *, enabled: bool) -> None:
        self._bars: Bars | None = None
        self._task: TaskID | None = None
        if enabled:
            from rich import console, progress  # noqa: PLC0415 - only where a person looks

            self._bars = progress.Progress(
                progress.TextColumn("{task.description:>9}"),
                progress.BarColumn(),
                progress.TextColumn("{task.fields[what]}"),
                console=console.Console(stderr=True),
                transient=True,
            )

    def __enter__(self) -> Self:
        """Begin to show."""
        if self._bars is not None:
            self._bars.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Clear the screen of bars."""
        if self._bars is not None:
            self._bars.stop()

    def stage(self, name: str, total: int = 0) -> None:
        """Begin a stage of ``total`` steps; 0 = unknown."""
        if self._bars is not None:
            if self._task is not None:
                self._bars.update(self._task, visible=False)
            self._task = self._bars.add_task(name, total=total or None, what="")

    def step(self, what: str) -> None:
        """Finish one step of the stage."""
        if self._bars is not None and self._task is not None:
            self._bars.update(self._task, advance=1, what=what)
