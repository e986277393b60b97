"""`site`: The register of sites: what each place is, and what it was."""

from __future__ import annotations

from pipeline.commands.registers import group

command = group("site", "The register of sites: what each place is, and what it was.")
