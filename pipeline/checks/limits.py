"""The tunable limits of the checks, each with the source of its default."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Limits:
    """Every limit a check may use. Fields are added beside the check that needs them."""
