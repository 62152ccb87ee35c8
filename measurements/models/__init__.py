"""What was read, with what instrument, what follows from it."""

from measurements.models.check import CheckKind, CheckOutcome, IntervalCheck
from measurements.models.photo import (
    Photo,
    PhotoChange,
    PhotoChangeKind,
    PhotoKind,
    PhotoPart,
    PhotoSubject,
    PhotoType,
    PhotoUpload,
)
from measurements.models.recall import (
    RecallCase,
    RecallDecision,
    RecallDecisionKind,
    RecallGround,
    RecallItem,
    RecallPart,
)
from measurements.models.result import AnswerKind, Flag, FlagAnswer, Outcome, Result, Severity, Verdict
from measurements.models.rule import RuleSetting
from measurements.models.session import (
    Batch,
    Correction,
    Method,
    Reading,
    Session,
    SessionVoid,
    Sweep,
)

__all__ = [
    "AnswerKind",
    "Batch",
    "CheckKind",
    "CheckOutcome",
    "Correction",
    "Flag",
    "FlagAnswer",
    "IntervalCheck",
    "Method",
    "Outcome",
    "Photo",
    "PhotoChange",
    "PhotoChangeKind",
    "PhotoKind",
    "PhotoPart",
    "PhotoSubject",
    "PhotoType",
    "PhotoUpload",
    "Reading",
    "RecallCase",
    "RecallDecision",
    "RecallDecisionKind",
    "RecallGround",
    "RecallItem",
    "RecallPart",
    "Result",
    "RuleSetting",
    "Session",
    "SessionVoid",
    "Severity",
    "Sweep",
    "Verdict",
]
