"""Balancing a water system by its balancing valves: the plan of network_plan in settings, flows and drops.

Terminals are the circuits (coil, pipe and balancing valve in line), branches are risers and branch pipes
with or without a valve of their own. What a valve must take more, at the flow to be set, comes from the
network model in shares of the pressure at the start of the tree; the differential pressure measured there
turns it into Pa, the valve's coefficient at its setting says what it takes already, and the maker's table
turns the sum into the setting. The model takes every part by one exponent, a valve by its square law.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from .errors import Refused, finite, not_negative, positive
from .method import Code, Estimate, Remark
from .network import Network, Reading, Round, lay_out
from .network_plan import Plan, make_plan
from .network_steps import Action, Settings, Step
from .records import digest
from .valve import REFERENCE_DENSITY, ValveLimits, coefficient_at, liquid_flow
from .version import CALCULATION_VERSION


@dataclass(frozen=True, slots=True)
class BalancingValve:
    """A valve of a circuit or a branch, by the tag of that. settings, coefficients: the maker's table
    (hand wheel; m3/s at 1 Pa and a specific gravity of 1, rising). setting: as it stands now.

    relative_u: of the table, standard.
    """

    tag: str
    settings: tuple[float, ...]
    coefficients: tuple[float, ...]
    setting: float
    relative_u: float = 0.015


@dataclass(frozen=True, slots=True)
class ValveDrop:
    """Pressure drop over a circuit's valve as measured, Pa, with its standard uncertainty."""

    tag: str
    drop: float
    u: float


@dataclass(frozen=True, slots=True)
class ValveStep:
    """One step of the plan at a valve. flow: m3/s to set. drop: Pa over the valve at that flow.

    coefficient: there. setting: of the hand wheel (None: the valve cannot reach it, beyond its table).
    """

    step: Step
    flow: Estimate
    drop: Estimate
    coefficient: Estimate
    setting: float | None


@dataclass(frozen=True, slots=True)
class WaterPlan:
    """A plan for the valves. remarks: LOW_DROP (drop, advised, least) and VALVE_OUTSIDE_TABLE (coefficient,
    low, high) by the valve's tag, after those of the plan.
    """

    plan: Plan
    steps: tuple[ValveStep, ...]
    remarks: tuple[Remark, ...]
    digest: str
    calculation_version: str = CALCULATION_VERSION


def valve_round(
    valves: Sequence[BalancingValve],
    drops: Sequence[ValveDrop],
    *,
    density: float = REFERENCE_DENSITY,
    adjusted: tuple[str, ...] = (),
    correlation: float = 0.0,
) -> Round:
    """A round of readings from the drops over the circuits' valves. density: of the liquid, kg/m3.

    A drop below zero is a flow the wrong way. Errors: Refused (a drop without a valve, not finite; a setting
    outside its table).
    """
    known = {v.tag: v for v in valves}
    readings = []
    for one in drops:
        if one.tag not in known:
            raise Refused(f"drops[{one.tag}]", "has no valve", one.tag)
        drop, u = finite(f"drops[{one.tag}]", one.drop), not_negative(f"drops[{one.tag}].u", one.u)
        k = _coefficient(known[one.tag])
        flow = liquid_flow(k.value, abs(drop), positive("density", density), REFERENCE_DENSITY)
        by_drop = 0.5 * flow * u / abs(drop) if drop else liquid_flow(k.value, u, density)
        readings.append(
            Reading(one.tag, math.copysign(flow, drop), math.hypot(by_drop, flow * k.u / k.value))
        )
    return Round(tuple(readings), adjusted, correlation)


def make_water_plan(
    network: Network,
    rounds: Sequence[Round],
    valves: Sequence[BalancingValve],
    pressure: Estimate,
    *,
    density: float = REFERENCE_DENSITY,
    settings: Settings | None = None,
    limits: ValveLimits | None = None,
) -> WaterPlan:
    """The plan after the last round, valve by valve.

    valves: as they stand now. pressure: Pa, differential between flow and return at the start of the tree
    in the first round.
    Errors: Refused as `make_plan`; a step at a circuit or branch whose valve is not given; figures that are
    not positive.
    """
    positive("pressure", pressure.value)
    not_negative("pressure.u", pressure.u)
    positive("density", density)
    lay_out(network)
    plan = make_plan(network, rounds, settings)
    known = {v.tag: v for v in valves}
    present = (rounds[-1].speed / rounds[0].speed) ** 2
    start = Estimate(pressure.value * present, pressure.u * present)
    steps = tuple(_valve_step(step, known, start, density) for step in plan.steps)
    remarks = (*plan.remarks, *_remarks(steps, known, limits or ValveLimits()))
    inputs = (network, list(rounds), list(valves), pressure, density, plan.settings, limits or ValveLimits())
    return WaterPlan(plan, steps, remarks, digest("network_water", *inputs, CALCULATION_VERSION))


def _coefficient(valve: BalancingValve) -> Estimate:
    try:
        return coefficient_at(valve.settings, valve.coefficients, valve.setting, relative_u=valve.relative_u)
    except Refused as error:
        raise Refused(f"valves[{valve.tag}].{error.input}", error.reason, error.value) from error


def _valve_step(
    step: Step, valves: dict[str, BalancingValve], pressure: Estimate, density: float
) -> ValveStep:
    if step.tag not in valves:
        raise Refused(f"valves[{step.tag}]", "is missing: the plan turns it")
    valve = valves[step.tag]
    zero = Estimate(0.0, 0.0)
    if step.action is Action.SHUT:
        return ValveStep(step, zero, zero, zero, None)
    now = _coefficient(valve)
    heavy = density / REFERENCE_DENSITY
    flow = step.through
    taken = heavy * (flow.value / now.value) ** 2
    more = step.takes.value * pressure.value
    u = math.hypot(
        2.0 * taken * now.u / now.value, step.takes.u * pressure.value, step.takes.value * pressure.u
    )
    # An opened valve always keeps what its open seat takes; the table's end says how much that is.
    least = heavy * (flow.value / valve.coefficients[-1]) ** 2
    drop = Estimate(max(taken + more, least), u)
    k = flow.value * math.sqrt(heavy / drop.value)
    coefficient = Estimate(k, k * math.hypot(0.5 * u / drop.value, flow.u / flow.value))
    return ValveStep(step, flow, drop, coefficient, setting_for(valve, k))


def setting_for(valve: BalancingValve, coefficient: float) -> float | None:
    """Setting at which a valve has a coefficient, by straight lines between the rows of its table.

    None outside the table.
    """
    rows = zip(valve.settings, valve.coefficients, strict=True)
    for (s0, k0), (s1, k1) in pairwise(rows):
        if k0 <= coefficient <= k1 * (1.0 + 1e-12):
            return s0 + (s1 - s0) * (coefficient - k0) / (k1 - k0)
    return None


def _remarks(
    steps: Sequence[ValveStep], valves: dict[str, BalancingValve], limits: ValveLimits
) -> Iterator[Remark]:
    for one in steps:
        if one.step.action is Action.SHUT:
            continue
        valve = valves[one.step.tag]
        if one.setting is None:
            low, high = valve.coefficients[0], valve.coefficients[-1]
            numbers = {"coefficient": one.coefficient.value, "low": low, "high": high}
            yield Remark(Code.VALVE_OUTSIDE_TABLE, numbers, (valve.tag,))
        if one.drop.value < limits.advised_drop:
            numbers = {
                "drop": one.drop.value,
                "advised": limits.advised_drop,
                "least": limits.least_drop,
            }
            yield Remark(Code.LOW_DROP, numbers, (valve.tag,))
