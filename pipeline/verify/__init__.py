"""Hold what was measured after an installation against what was promised, and read a site's history."""

from pipeline.verify.history import HistoryFacts, HistoryLimits, history

__all__ = ["HistoryFacts", "HistoryLimits", "history"]
