"""Share of outdoor air in mixed air, from temperatures or carbon dioxide.

x = (mixed - return) / (outdoor - return): the balance of heat (equal specific heats, no coil or fan between
the places) or of carbon dioxide (ASHRAE mixing equation; ASTM D6245). A share by mass, or by volume at one
temperature. Its interval is Fieller's: the first-order one is wrong when outdoor and return air are alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import NamedTuple

from .distributions import Distribution
from .errors import Refused, finite, not_negative, positive
from .method import Code, Estimate, MethodResult, Part, PartFigure, Remark, solve
from .places import Readings, Taken, same_instrument, take_mean
from .plan import Sharing
from .records import digest
from .uncertainty import Correlation, Effect, Result
from .variance import type_a
from .version import CALCULATION_VERSION


class MixedSignal(StrEnum):
    """What is read in the three airs."""

    TEMPERATURE = "temperature"
    """Dry bulb, K."""
    CARBON_DIOXIDE = "carbon_dioxide"
    """Share of the air by volume (400 ppm = 0.0004)."""


@dataclass(frozen=True, slots=True)
class MixedAirLimits:
    """From where a remark is made. Settings of a company; the defaults are common practice."""

    relative_span: float = 0.10
    """u(span)/|span| above which no verdict is given. At k = 2 it is near Finney's g = 0.05 for the use of a
    first-order interval of a ratio (from memory)."""
    stratification: float = 0.20
    """Range of the mixed readings over the span."""
    skew: float = 0.10
    """How far the exact interval's ends may lie from the first-order ones, over U."""


@dataclass(frozen=True, slots=True)
class MixedAir:
    """Input of `mixed_air`. Readings in K or as shares of carbon dioxide (see `MixedSignal`).

    return_air, outdoor_air, mixed_air: before mixing, and after it but before coil and fan. Mixed air is
    layered: read a grid (places by line and point, or each reading a place of its own); the scatter between
    places counts as sampling. flow: of the mixed air, m3/s, on any density basis; the outdoor flow is on the
    same. single_place: standard uncertainty of a mixed reading at one place only, as a share of the span
    (common practice, no source).
    """

    return_air: Readings
    outdoor_air: Readings
    mixed_air: Readings
    signal: MixedSignal = MixedSignal.TEMPERATURE
    flow: Estimate | None = None
    single_place: float = 0.05
    limits: MixedAirLimits = field(default_factory=MixedAirLimits)


class MixedFigures(NamedTuple):
    """Outputs of the model. span: outdoor less return air."""

    outdoor_share: float
    outdoor_flow: float
    return_air: float
    outdoor_air: float
    mixed_air: float
    span: float
    rise: float
    rest: float


def outdoor_share(return_air: float, outdoor_air: float, mixed_air: float) -> float:
    """(mixed - return) / (outdoor - return). Can be traced."""
    return (mixed_air - return_air) / (outdoor_air - return_air)


def mixed_from_share(share: float, return_air: float, outdoor_air: float) -> float:
    """What the mixed air shows at a share of outdoor air: x outdoor + (1 - x) return."""
    return share * outdoor_air + (1.0 - share) * return_air


def mixed_model(return_air: float, outdoor_air: float, mixed_air: float, flow: float) -> MixedFigures:
    """Share and flow of outdoor air, and the differences that Fieller's interval needs."""
    share = outdoor_share(return_air, outdoor_air, mixed_air)
    return MixedFigures(
        outdoor_share=share,
        outdoor_flow=share * flow,
        return_air=return_air,
        outdoor_air=outdoor_air,
        mixed_air=mixed_air,
        span=outdoor_air - return_air,
        rise=mixed_air - return_air,
        rest=mixed_air - outdoor_air,
    )


@dataclass(frozen=True, slots=True)
class Ratio:
    """A numerator and a denominator with their standard uncertainties and the covariance of both."""

    numerator: float
    denominator: float
    u_numerator: float
    u_denominator: float
    covariance: float = 0.0


def fieller_interval(ratio: Ratio, k: float = 2.0) -> tuple[float, float] | None:
    """Exact interval of a ratio of normal variables; None where the denominator may be zero (no bounds).

    All x with (N - x D)^2 <= k^2 (vN + x^2 vD - 2 x c). Source: Fieller's theorem (J. Roy. Stat. Soc. B 16,
    1954). Errors: Refused for figures that are not finite, a negative u, a covariance that cannot be.
    """
    n, d = finite("numerator", ratio.numerator), finite("denominator", ratio.denominator)
    u_n, u_d = (
        not_negative("u_numerator", ratio.u_numerator),
        not_negative("u_denominator", ratio.u_denominator),
    )
    c = finite("covariance", ratio.covariance)
    if abs(c) > u_n * u_d * (1.0 + 1e-9):
        raise Refused("covariance", "is larger than the uncertainties allow", c)
    kk = positive("k", k) ** 2
    a = d * d - kk * u_d * u_d
    if a <= 0.0:
        return None
    b = n * d - kk * c
    # n^2 - kk vN and a nearly cancel b^2 when u is small: the difference written out keeps its digits
    inside = kk * (u_n * u_n * d * d - 2.0 * n * d * c + n * n * u_d * u_d) - kk * kk * (
        u_n * u_n * u_d * u_d - c * c
    )
    root = math.sqrt(max(inside, 0.0))
    return (b - root) / a, (b + root) / a


def take_places(readings: Readings, on: str, label: str) -> Taken:
    """Readings of one air: the mean of its places, with the scatter between places as sampling.

    A place is a line and point (no places given: each reading is one); repeats at one place are averaged
    first. With one place only, the scatter is that of its repeats.
    """
    taken = take_mean(readings, on, label)
    groups: dict[tuple[int, int], list[float]] = {}
    for n, value in enumerate(taken.values):
        _, line, point = readings.places[n] if readings.places else (1, 1, n + 1)
        groups.setdefault((line, point), []).append(value)
    means = tuple(math.fsum(g) / len(g) for g in groups.values())
    if len(means) < 2:
        return replace(taken, values=means)
    spread = type_a(means)
    kept = [e for e in taken.effects if e.distribution is not Distribution.T]
    name = f"{label}: scatter between places"
    kept.append(Effect(name, on, spread.u, Sharing.COMMON, spread.dof, Distribution.T))
    return replace(taken, value=spread.mean, values=means, effects=tuple(kept))


PLACES: Mapping[str, str] = {
    "return_air": "Return air",
    "outdoor_air": "Outdoor air",
    "mixed_air": "Mixed air",
}


def mixed_air(inputs: MixedAir) -> MethodResult:
    """Share of outdoor air (measurand "outdoor_share") and, with a total flow, "outdoor_flow".

    Also the means "return_air", "outdoor_air", "mixed_air" and their "span". Parts: the interval of the share
    by first order and, where it has bounds, exact.
    No verdict where u(span) / |span| is above the limit, or where the share cannot be.
    Errors: Refused, naming the input: no readings, not finite, temperature at or below 0 K, carbon dioxide
    outside 0 to 0.1, outdoor and return air alike, flow not above zero.
    """
    _check(inputs)
    identity = digest("mixed_air", inputs, CALCULATION_VERSION)
    taken = {name: _taken(inputs, name, label) for name, label in PLACES.items()}
    span = taken["outdoor_air"].value - taken["return_air"].value
    if span == 0.0:
        raise Refused("outdoor_air", "is like the return air: no share can be found", 0.0)
    values = {name: t.value for name, t in taken.items()}
    values["flow"] = 1.0 if inputs.flow is None else inputs.flow.value
    effects = [e for t in taken.values() for e in t.effects]
    if len(taken["mixed_air"].values) < 2 and inputs.single_place > 0.0:
        u = inputs.single_place * abs(span)
        effects.append(Effect("Mixed air: one place only", "mixed_air", u, Sharing.COMMON))
    if inputs.flow is not None:
        effects.append(Effect("Flow", "flow", inputs.flow.u, Sharing.COMMON, inputs.flow.dof))
    unit = "K" if inputs.signal is MixedSignal.TEMPERATURE else "1"
    found = _solved(values, effects, same_instrument(*taken.values()), unit, identity)
    share = found["outdoor_share"]
    exact = fieller_interval(_ratio(found), share.k)
    wanted = [name for name in found if name not in ("rise", "rest")]
    if inputs.flow is None:
        wanted.remove("outdoor_flow")
    remarks, allowed = _remarks(inputs, taken, found, exact)
    return MethodResult(
        method="mixed_air",
        measurand="outdoor_share",
        results={name: found[name] for name in wanted},
        digest=identity,
        remarks=tuple(remarks),
        verdict_allowed=allowed,
        parts=_intervals(share, exact),
        classes={"signal": str(inputs.signal)},
    )


def _check(inputs: MixedAir) -> None:
    not_negative("single_place", inputs.single_place)
    positive("limits.relative_span", inputs.limits.relative_span)
    if inputs.flow is not None:
        positive("flow", inputs.flow.value)
        not_negative("flow.u", inputs.flow.u)


def _taken(inputs: MixedAir, name: str, label: str) -> Taken:
    taken = take_places(getattr(inputs, name), name, label)
    if inputs.signal is MixedSignal.TEMPERATURE and min(taken.values) <= 0.0:
        raise Refused(name, "is at or below absolute zero (kelvin expected)", min(taken.values))
    if inputs.signal is MixedSignal.CARBON_DIOXIDE:
        wrong = [v for v in taken.values if not 0.0 <= v <= 0.1]
        if wrong:
            raise Refused(
                name, "must be a share of carbon dioxide from 0 to 0.1 (400 ppm = 0.0004)", wrong[0]
            )
    return taken


def _solved(
    values: Mapping[str, float],
    effects: list[Effect],
    correlations: list[Correlation],
    unit: str,
    identity: str,
) -> dict[str, Result]:
    outputs = {
        "outdoor_share": ("Share of outdoor air", "1"),
        "outdoor_flow": ("Outdoor air flow", "m3/s"),
        **{name: (label, unit) for name, label in PLACES.items()},
        "span": ("Outdoor less return air", unit),
        "rise": ("Mixed less return air", unit),
        "rest": ("Mixed less outdoor air", unit),
    }
    units = {**dict.fromkeys(PLACES, unit), "flow": "m3/s"}
    return solve(mixed_model, values, effects, identity, outputs, correlations, units)


def _ratio(found: Mapping[str, Result]) -> Ratio:
    """Covariance from the variance of the difference: rest = rise - span."""
    rise, span, rest = found["rise"], found["span"], found["rest"]
    covariance = 0.5 * (rise.u * rise.u + span.u * span.u - rest.u * rest.u)
    most = rise.u * span.u
    return Ratio(rise.value, span.value, rise.u, span.u, max(-most, min(most, covariance)))


def _intervals(share: Result, exact: tuple[float, float] | None) -> tuple[Part, ...]:
    rows = [("first_order", share.interval)] + ([("exact", exact)] if exact is not None else [])
    return tuple(
        Part(label, (PartFigure("low", low, None, "1"), PartFigure("high", high, None, "1")))
        for label, (low, high) in rows
    )


def _remarks(
    inputs: MixedAir,
    taken: Mapping[str, Taken],
    found: Mapping[str, Result],
    exact: tuple[float, float] | None,
) -> tuple[list[Remark], bool]:
    """The remarks, and whether the share may carry a verdict."""
    share, span = found["outdoor_share"], found["span"]
    remarks = [remark for t in taken.values() for remark in t.remarks]
    relative, limit = span.u / abs(span.value), inputs.limits.relative_span
    allowed = True
    if relative > limit or exact is None:
        allowed = False
        numbers = {"span": span.value, "u": span.u, "relative_u": relative, "limit": limit}
        remarks.append(Remark(Code.SPAN_TOO_SMALL, numbers))
    if not 0.0 <= share.value <= 1.0:
        allowed = allowed and 1.0 < share.value <= 1.0 + share.U
        remarks.append(Remark(Code.SHARE_OUTSIDE, {"share": share.value, "U": share.U}))
    remarks += _layers(inputs, taken["mixed_air"], span.value)
    if exact is not None:
        low, high = share.interval
        away = max(abs(exact[0] - low), abs(exact[1] - high))
        if away > inputs.limits.skew * share.U:
            numbers = {"low": exact[0], "high": exact[1], "first_low": low, "first_high": high}
            remarks.append(Remark(Code.FIRST_ORDER_SKEWED, numbers))
    return remarks, allowed


def _layers(inputs: MixedAir, mixed: Taken, span: float) -> list[Remark]:
    if len(mixed.values) < 2:
        return [Remark(Code.MIXED_AT_ONE_PLACE, {"u": inputs.single_place})]
    spread = (max(mixed.values) - min(mixed.values)) / abs(span)
    if spread <= inputs.limits.stratification:
        return []
    return [Remark(Code.STRATIFIED, {"spread": spread, "limit": inputs.limits.stratification})]
