"""The machines that answers about sites know: the built-in ones, and those of the settings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.assess.machines import machines_with

if TYPE_CHECKING:
    from pipeline.assess.machines import Machine
    from pipeline.settings import Settings


def machines_of(settings: Settings) -> dict[str, Machine]:
    """Give every machine by name, one's own of the setting `machines` among them."""
    return machines_with(settings.machines)
