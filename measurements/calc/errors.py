"""Typed errors of the calculation: every one names the input and what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence


class CalcError(ValueError):
    """Base of all errors of this package; `input` names what was wrong."""

    def __init__(self, input: str, reason: str, value: object = None) -> None:
        self.input = input
        self.reason = reason
        self.value = value
        shown = "" if value is None else f" (got {value!r})"
        super().__init__(f"{input}: {reason}{shown}")


class Refused(CalcError):
    """The calculation is outside its validity for this input and gives no figure."""


class UnitError(CalcError):
    """A unit is unknown, or belongs to another quantity than the one asked for."""


class ModelError(CalcError):
    """A measurement model and its inputs do not fit together."""


def finite(name: str, value: float) -> float:
    """Return `value`, or refuse it when it is not a finite number."""
    number: object = value  # callers from outside may pass anything
    if isinstance(number, bool) or not isinstance(number, (int, float)) or not math.isfinite(number):
        raise Refused(name, "must be a finite number", value)
    return float(value)


def all_finite(name: str, values: Sequence[float]) -> None:
    """Refuse the first value that is not finite, naming its place (counted from 0)."""
    if _all_floats(values) and math.isfinite(sum(values)):
        return
    for index, value in enumerate(values):
        finite(f"{name}[{index}]", value)


def _all_floats(values: Sequence[float]) -> bool:
    return set(map(type, values)) <= {float, int}


def positive(name: str, value: float) -> float:
    """Return `value`, or refuse it when it is not finite and above zero."""
    if finite(name, value) <= 0.0:
        raise Refused(name, "must be above zero", value)
    return float(value)


def not_negative(name: str, value: float) -> float:
    """Return `value`, or refuse it when it is not finite or below zero."""
    if finite(name, value) < 0.0:
        raise Refused(name, "must not be negative", value)
    return float(value)
