"""A person's answers to findings: kept beside what was read, never in its place; the samples are proved anew."""

from pipeline.deciding.answer import ACTIONS, Answer
from pipeline.deciding.decide import DecisionOutcome, decide, decide_all

__all__ = ["ACTIONS", "Answer", "DecisionOutcome", "decide", "decide_all"]
