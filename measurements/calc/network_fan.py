"""The last step of balancing: the fan (or pump) speed that brings a balanced tree's total to design.

With every damper left alone, all flows follow the speed alike and the shares stay equal (fan laws).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from .errors import positive
from .fan import FanLimits, Figure, SpeedChange, propose_speed
from .method import Code, Estimate, Remark
from .motor import BeltDrive
from .network_shares import Shares


@dataclass(frozen=True, slots=True)
class TotalChange:
    """The change that brings the total to design.

    change: speed, pressure, motor load and sheaves there; `change.refused` names the limits that would be
    passed: then it must not be made. reachable: share of design that the limits given allow (1: all of it).
    outlets: share of design of every outlet then, at the speed that the limits allow; their uncertainties
    have the whole of the readings' in. set_point: ratio by which a static-pressure set point changes.
    """

    change: SpeedChange
    allowed: bool
    reachable: float
    set_point: float
    outlets: tuple[tuple[str, Estimate], ...]
    remarks: tuple[Remark, ...]


def bring_to_design(
    seen: Shares,
    speed: Figure,
    *,
    pressure: Figure | None = None,
    shaft_power: Figure | None = None,
    current: Figure | None = None,
    no_load_current: float | None = None,
    frequency: float | None = None,
    drive: BeltDrive | None = None,
    limits: FanLimits | None = None,
    tolerance: float = 0.1,
) -> TotalChange:
    """Speed, sheave and motor load that bring the total of a tree from its last round to design.

    seen: shares of that round. speed (1/s), pressure (Pa), shaft_power (W) and current (A): now.
    tolerance: of an outlet's share of design; CANNOT_REACH names those below it at the speed allowed.
    Errors: Refused, as `fan.propose_speed`. A limit that would be passed is not an error here:
    `fan.required_speed` raises for it, this tells how far one gets.
    """
    positive("tolerance", tolerance)
    level = positive("seen.total", seen.total.value)
    design = math.fsum(o.design for o in seen.outlets)
    flow = Estimate(level * design, seen.total.u * design, seen.total.dof)

    def towards(part: float) -> SpeedChange:
        return propose_speed(
            flow,
            design * part,
            speed,
            pressure=pressure,
            shaft_power=shaft_power,
            current=current,
            no_load_current=no_load_current,
            frequency=frequency,
            drive=drive,
            limits=limits,
        )

    change = towards(1.0)
    part = 1.0 if change.allowed else _allowed_part(towards)
    ratio = change.ratio.value * part
    outlets = tuple(
        (o.tag, Estimate(o.share.value * ratio, o.share.u * ratio))
        for o in seen.outlets
        if o.share is not None
    )
    remarks = tuple(
        Remark(Code.CANNOT_REACH, {"relative": share.value, "tolerance": tolerance}, (tag,))
        for tag, share in outlets
        if share.value < 1.0 - tolerance
    )
    return TotalChange(change, change.allowed, part, ratio * ratio, outlets, remarks)


def _allowed_part(towards: Callable[[float], SpeedChange]) -> float:
    """Largest share of the design flow that passes no limit, by halving."""
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if towards(middle).allowed else (low, middle)
    return low
