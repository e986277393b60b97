"""Hold what was measured after an installation against what was promised, and read a site's history."""

from pipeline.verify.history import HistoryFacts, HistoryLimits, history
from pipeline.verify.intervals import Schedule
from pipeline.verify.joint import together, unstated
from pipeline.verify.pair import Circumstances, VerifyLimits, verify

__all__ = [
    "Circumstances",
    "HistoryFacts",
    "HistoryLimits",
    "Schedule",
    "VerifyLimits",
    "history",
    "together",
    "unstated",
    "verify",
]
