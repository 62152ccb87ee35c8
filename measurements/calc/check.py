"""One pressure against its limits: a switch's make and break points, a gas supply or manifold pressure."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from .conformity import Tolerance, judge_value
from .errors import Refused, finite
from .grouped import difference_correlations, take_signed
from .method import Code, Limits, MethodResult, Remark, solve
from .places import Readings, Taken
from .profile import difference_model, moved
from .records import digest
from .room_models import pressure_model
from .uncertainty import Result
from .version import CALCULATION_VERSION

NO_LIMIT = "no_limit"


class CheckSubject(StrEnum):
    """What is checked."""

    SWITCH = "switch"
    GAS_SUPPLY = "gas_supply"
    GAS_MANIFOLD = "gas_manifold"
    OTHER = "other"

    @property
    def is_gas(self) -> bool:
        """Whether only licensed people may do this."""
        return self in (CheckSubject.GAS_SUPPLY, CheckSubject.GAS_MANIFOLD)


@dataclass(frozen=True, slots=True)
class PressureCheck:
    """Input of `pressure_check`. All pressures Pa, signed; repeats.

    pressure: where the switch makes, or the pressure itself. release: where a switch breaks. low, high:
    limits of the pressure; release_low, release_high: of the release (None: none on that side).
    """

    pressure: Readings
    subject: CheckSubject = CheckSubject.OTHER
    release: Readings | None = None
    low: float | None = None
    high: float | None = None
    release_low: float | None = None
    release_high: float | None = None
    limits: Limits = field(default_factory=Limits)


def pressure_check(inputs: PressureCheck) -> MethodResult:
    """A pressure with its uncertainty and its limits, the release and the switching difference.

    classes: "pressure" and "release" hold the word of where each interval lies (`Verdict`; "no_limit" without
    limits), "outcome" the worse of both. Errors: Refused for readings that are not finite, a low limit above
    the high one, limits of a release that was not read.
    """
    limits = _limits(inputs.low, inputs.high, "low")
    release_limits = _limits(inputs.release_low, inputs.release_high, "release_low")
    if release_limits and inputs.release is None:
        raise Refused("release", "is needed with its limits")
    identity = digest("pressure_check", inputs, CALCULATION_VERSION)
    made, remarks = take_signed(inputs.pressure, "pressure", "Pressure")
    results = {"pressure": _alone(made, identity, "Pressure")}
    classes = {"subject": inputs.subject.value, "pressure": _word(results["pressure"], limits)}
    if inputs.release is not None:
        released, more = take_signed(inputs.release, "release", "Release")
        results["release"] = _alone(released, identity, "Release")
        results["switching_difference"] = _difference(made, released, identity)
        classes["release"] = _word(results["release"], release_limits)
        remarks += [*more, *_switch_remarks(results["switching_difference"])]
    classes["outcome"] = _worst([classes[n] for n in ("pressure", "release") if n in classes])
    return MethodResult(
        method="pressure_check",
        measurand="pressure",
        results=results,
        digest=identity,
        remarks=(*_first_remarks(inputs, made, limits), *remarks),
        limits=limits,
        classes=classes,
    )


Ends = tuple[float | None, float | None]
_ORDER = ("fail", "conditional_fail", "conditional_pass", "pass", NO_LIMIT)


def _limits(low: float | None, high: float | None, name: str) -> Ends | None:
    for end, value in ((name, low), (name.replace("low", "high"), high)):
        if value is not None:
            finite(end, value)
    if low is not None and high is not None and low > high:
        raise Refused(name, "lies above the high limit", low)
    return None if low is None and high is None else (low, high)


def _word(result: Result, limits: Ends | None) -> str:
    if limits is None:
        return NO_LIMIT
    judged = judge_value(result.value, result.u, Tolerance(*limits), k=result.k, dof=result.dof, signed=True)
    return judged.verdict.value


def _worst(words: list[str]) -> str:
    return min(words, key=_ORDER.index)


def _alone(taken: Taken, identity: str, name: str) -> Result:
    effects = moved(taken, "pressure").effects
    units = {"pressure": "Pa"}
    outputs = {"pressure": (name, "Pa")}
    return solve(pressure_model, {"pressure": taken.value}, effects, identity, outputs, units=units)[
        "pressure"
    ]


def _difference(made: Taken, released: Taken, identity: str) -> Result:
    a, b = moved(made, "first"), moved(released, "second")
    return solve(
        difference_model,
        {"first": a.value, "second": b.value},
        [*a.effects, *b.effects],
        identity,
        {"difference": ("Switching difference", "Pa")},
        correlations=difference_correlations(a, b),
        units={"first": "Pa", "second": "Pa"},
    )["difference"]


def _switch_remarks(difference: Result) -> list[Remark]:
    numbers = {"difference": difference.value, "U": difference.U}
    if abs(difference.value) <= difference.U:
        return [Remark(Code.NO_SWITCHING_DIFFERENCE, numbers)]
    return [Remark(Code.RELEASE_ABOVE_MAKE, numbers)] if difference.value < 0.0 else []


def _first_remarks(inputs: PressureCheck, made: Taken, limits: Ends | None) -> list[Remark]:
    remarks = []
    if inputs.subject.is_gas:
        remarks.append(Remark(Code.GAS_LICENSED))
    if limits is None:
        remarks.append(Remark(Code.NO_LIMITS))
    if inputs.pressure.zero is None:
        remarks.append(Remark(Code.ZERO_NOT_CHECKED))
    if len(inputs.pressure.values) == 1:
        remarks.append(Remark(Code.SINGLE_RUN, {"runs": 1}))
    step = made.instrument.resolution
    if abs(made.value) < inputs.limits.resolutions * step:
        numbers = {"count": len(made.values), "resolution": step, "lowest": min(map(abs, made.values))}
        remarks.append(Remark(Code.NEAR_RESOLUTION, numbers))
    return remarks
