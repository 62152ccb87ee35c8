"""What was read, with what instrument, what follows from it."""

from measurements.models.check import CheckKind, CheckOutcome, IntervalCheck
from measurements.models.recall import (
    RecallCase,
    RecallDecision,
    RecallDecisionKind,
    RecallGround,
    RecallItem,
    RecallPart,
)
from measurements.models.result import AnswerKind, Flag, FlagAnswer, Outcome, Result, Severity, Verdict
from measurements.models.session import Batch, Method, Reading, Session, Sweep

__all__ = [
    "AnswerKind",
    "Batch",
    "CheckKind",
    "CheckOutcome",
    "Flag",
    "FlagAnswer",
    "IntervalCheck",
    "Method",
    "Outcome",
    "Reading",
    "RecallCase",
    "RecallDecision",
    "RecallDecisionKind",
    "RecallGround",
    "RecallItem",
    "RecallPart",
    "Result",
    "Session",
    "Severity",
    "Sweep",
    "Verdict",
]
