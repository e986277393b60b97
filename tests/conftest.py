"""Settings shared by all tests."""

from __future__ import annotations

from hypothesis import settings

# A shared machine can be slow for a moment; examples are fixed so that a red run can be repeated.
settings.register_profile("kettlestone", deadline=None, derandomize=True)
settings.load_profile("kettlestone")
