"""`machine`: The register of machines."""

from __future__ import annotations

from pipeline.commands.registers import group

command = group("machine", "The register of machines.")
