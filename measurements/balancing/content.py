"""The balance of a system as plain JSON: for tablets, which go on from it without network, and integrations.

Flows are SI and on the basis of each point's design, as results are; `shown_*` is what the instrument shows.
"""

from typing import Any
from uuid import UUID

from measurements.balance import Balance, BranchState, PointState, evaluated_at, waiting
from measurements.balancing.fan import FanState
from measurements.balancing.remarks import AIR_CAUTIONS, WATER_CAUTIONS, spoken
from measurements.balancing.rounds import Figure
from measurements.balancing.steps import Balancing, Planned
from measurements.calc.method import Estimate


def content(found: Balance) -> dict[str, Any]:
    """Everything of a balance. Points are named by id, in the order of the schedule."""
    latest = evaluated_at(found)
    return {
        "job": str(found.job.id),
        "system": {
            "id": str(found.system.id),
            "tag": found.system.tag,
            "name": found.system.name,
            "kind": found.system.kind,
        },
        "liquid": found.liquid,
        "decision_rule": found.company.decision_rule,
        "decision_parameter": found.company.decision_parameter,
        "phase": found.phase,
        "balanced": found.balanced,
        "read_at": latest.isoformat() if latest else None,
        "waiting": waiting(found),
        "points": [_point(one) for one in found.points],
        "branches": [_branch(one, found) for one in found.branches],
        "whole": _balancing(found.whole, found) if found.whole else None,
        "fans": [_fan(one) for one in found.fans],
        "cautions": list(WATER_CAUTIONS if found.liquid else AIR_CAUTIONS),
    }


def _point(one: PointState) -> dict[str, Any]:
    point = one.point
    below, above = one.tolerance
    return {
        "id": str(point.id),
        "tag": point.tag,
        "kind": point.kind,
        "location": point.location,
        "branch": _id(one.branch),
        "design_flow_m3_s": point.design_flow,
        "design_basis": point.design_basis,
        "tolerance_below": below,
        "tolerance_above": above,
        "now": _figure(one.now) if one.now else None,
        "rounds": [_figure(figure) for figure in one.rounds],
        "told": [
            {"at": told.at.isoformat(), "setting": told.setting, "marked": told.marked, "done": told.done}
            for told in one.told
        ],
        "turned_since": one.stale,
        "setting": one.setting,
        "marked": one.marked,
        "settled": one.settled,
    }


def _figure(one: Figure) -> dict[str, Any]:
    return {
        "session": str(one.session),
        "at": one.at.isoformat(),
        "method": one.method,
        "outcome": one.outcome,
        "flow_m3_s": one.value,
        "expanded_uncertainty_m3_s": one.expanded,
        "share": one.share,
        "share_expanded": one.share_expanded,
        "verdict": one.verdict or None,
        "accepted": one.accepted,
        "refusal": one.refusal,
        "shown_m3_s": one.shown,
        "setting": one.setting,
        "marked": one.marked,
        "done": one.done,
        "turned": one.moved,
    }


def _branch(one: BranchState, found: Balance) -> dict[str, Any]:
    return {
        "id": str(one.point.id) if one.point else None,
        "tag": one.tag,
        "above": _id(one.above),
        "do": one.do,
        "missing": [str(point) for point in one.missing],
        **_balancing(one.found, found),
    }


def _balancing(one: Balancing, found: Balance) -> dict[str, Any]:
    plan = one.plan
    remarks = plan.remarks if plan else one.shares.remarks if one.shares else ()
    return {
        "points": [str(point) for point in one.points],
        "surveys": len(one.surveys.complete),
        "surveyed_at": one.surveyed_at.isoformat() if one.surveyed_at else None,
        "turned": sorted(str(point) for point in one.surveys.turned),
        "tolerance": one.tolerance,
        "total": _estimate(one.shares.total) if one.shares else None,
        "lowest": one.spread[0] if one.spread else None,
        "highest": one.spread[1] if one.spread else None,
        "equal": one.equal,
        "stays_open": _id(one.reference),
        "references": {
            str(_of_tag(found, branch)): str(_of_tag(found, end)) for branch, end in plan.references if end
        }
        if plan
        else {},
        "level": _estimate(plan.level) if plan else None,
        "chance": plan.chance if plan else None,
        "steps": [_step(step) for step in one.steps],
        "refused": one.refused,
        "remarks": [
            {
                "code": row.name,
                "severity": row.severity.value,
                "seen": said.seen,
                "expected": said.expected,
                "advice": said.advice,
            }
            for row, said in spoken(remarks, found.company.unit_system)
        ],
    }


def _of_tag(found: Balance, tag: str) -> UUID | None:
    return next((one.id for one in found.material.points if one.tag == tag), None)


def _step(one: Planned) -> dict[str, Any]:
    step, witness = one.step, one.step.witness
    return {
        "number": step.number,
        "point": str(one.point),
        "action": step.action.value,
        "read_at": str(one.read_at),
        "against": _id(one.against),
        "before": _estimate(step.before),
        "target": _estimate(step.target),
        "shown_before_m3_s": one.shown_before,
        "shown_target_m3_s": one.shown_target,
        "share": step.share,
        "gain": step.gain,
        "witness": None
        if witness is None
        else {
            "tag": witness.tag,
            "expected": _estimate(witness.expected),
            "gain_before": witness.gain_before,
            "gain": witness.gain,
        },
        "done": one.done,
    }


def _fan(one: FanState) -> dict[str, Any]:
    newest = one.tests[-1] if one.tests else None
    return {
        "id": str(one.point.id),
        "tag": one.point.tag,
        "tests": len(one.tests),
        "tested_at": newest.at.isoformat() if newest else None,
        "plate": one.plate,
        "found": {name: _estimate(figure) for name, figure in newest.found.items()} if newest else {},
        "refused": one.refused,
        "change": _change(one),
    }


def _change(one: FanState) -> dict[str, Any] | None:
    if one.change is None:
        return None
    change = one.change.change
    sheaves = change.sheaves
    return {
        "allowed": one.change.allowed,
        "reachable": one.change.reachable,
        "set_point": one.change.set_point,
        "ratio": _estimate(change.ratio),
        "speed": _estimate(change.speed),
        "pressure": _estimate(change.pressure) if change.pressure else None,
        "shaft_power": _estimate(change.shaft_power) if change.shaft_power else None,
        "current": _estimate(change.current) if change.current else None,
        "motor_sheave_m": sheaves.motor_sheave if sheaves else None,
        "fan_sheave_m": sheaves.fan_sheave if sheaves else None,
        "passed": [{"limit": no.input, "reason": no.reason, "value": no.value} for no in change.refused],
        "close": list(change.close),
        "unchecked": list(change.unchecked),
        "short_of_design": [remark.points[0] for remark in one.change.remarks],
    }


def _estimate(figure: Estimate) -> dict[str, float]:
    return {"value": figure.value, "u": figure.u}


def _id(one: UUID | None) -> str | None:
    return None if one is None else str(one)
