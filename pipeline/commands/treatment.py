"""`treatment`: The register of treatments: what is fitted where."""

from __future__ import annotations

from pipeline.commands.registers import group

command = group("treatment", "The register of treatments: what is fitted where.")
