"""A finding in the language of the desk: the store keeps codes and numbers, here they become sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.words import finding_for_client, question_of_check, say

if TYPE_CHECKING:
    from collections.abc import Mapping


def message_of(row: Mapping[str, Any], language: str) -> str:
    """Word a finding.

    Parameters
    ----------
    row : of view `v_finding`.
    language : of the desk.
    """
    return str(row["message"]) if language == "en" else say(finding_for_client(str(row["check_id"])), language)


def question_of(check_id: str, language: str) -> str:
    """Ask what settles a finding of a check."""
    return say(question_of_check(check_id), language)


def check_title(check_id: str, language: str) -> str:
    """Say what a check looks for."""
    entry = KNOWN_CHECKS.get(check_id)
    if language != "en" or entry is None:
        return check_id
    return entry.title
