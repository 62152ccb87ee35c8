"""Data for a tablet's worklist and for drawings: what to drill and mark, what the velocities look like."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .duct import Duct, Shape
from .layout import (
    Counts,
    Layout,
    Plane,
    ProbeCheck,
    SiteRule,
    advised_counts,
    check_probe,
    make_layout,
    plane_quality,
)
from .method import MethodResult
from .positions import Rule


@dataclass(frozen=True, slots=True)
class Work:
    """Everything a technician needs before the first reading of a traverse. Lengths m.

    fewer_than_least: fewer points than any trade manual accepts (`fewest_points`).
    """

    layout: Layout
    advised: Counts
    plane: Plane
    probe: ProbeCheck | None
    fewer_than_advised: bool
    fewer_than_least: bool


def expected_work(
    duct: Duct,
    rule: Rule | None = None,
    *,
    holes: int | None = None,
    points_per_hole: int | None = None,
    probe_length: float | None = None,
    handle: float = 0.0,
    hose: float = 0.0,
    probe_diameter: float | None = None,
    upstream: float | None = None,
    downstream: float | None = None,
    site: SiteRule = SiteRule.PRACTICE,
) -> Work:
    """Layout, marks, plane quality and probe check for a duct.

    rule: by default log-linear for round ducts, log-Tchebycheff for rectangular, equal areas for flat oval. A
    round duct at a poor plane has three diameters unless `holes` says otherwise. probe_length, handle, hose,
    probe_diameter: see `check_probe`.
    Errors: Refused, naming what the rule cannot have.
    """
    chosen = usual_rule(duct.shape) if rule is None else rule
    plane = plane_quality(duct, upstream, downstream, site=site)
    advised = advised_counts(duct, chosen, poor_profile=plane.poor_profile)
    layout = make_layout(
        duct,
        chosen,
        holes=advised.holes if holes is None else holes,
        points_per_hole=advised.points_per_hole if points_per_hole is None else points_per_hole,
    )
    probe = None
    if probe_length is not None:
        probe = check_probe(layout, probe_length, handle=handle, hose=hose, diameter=probe_diameter)
    points = len(layout.points)
    fewer = points < advised.holes * advised.points_per_hole
    return Work(layout, advised, plane, probe, fewer, points < advised.least)


def usual_rule(shape: Shape) -> Rule:
    """The rule that is used when none is chosen."""
    return {
        Shape.ROUND: Rule.LOG_LINEAR,
        Shape.RECTANGULAR: Rule.LOG_TCHEBYCHEFF,
        Shape.FLAT_OVAL: Rule.EQUAL_AREA,
    }[shape]


@dataclass(frozen=True, slots=True)
class MapPoint:
    """A velocity at its place, scaled for drawing: u, v from 0 to 1 across width and depth of the duct."""

    label: str
    u: float
    v: float
    velocity: float
    share: float


@dataclass(frozen=True, slots=True)
class VelocityMap:
    """Velocities over the cross section. aspect: width over depth. evenness: standard deviation over mean.

    weakest, strongest: labels.
    """

    shape: Shape
    aspect: float
    points: tuple[MapPoint, ...]
    mean: float
    lowest: float
    highest: float
    evenness: float
    weakest: str
    strongest: str


def velocity_map(result: MethodResult, duct: Duct) -> VelocityMap | None:
    """The picture of a traverse; None when the result's points have no places."""
    placed = [
        _map_point(p.label, p.x, p.y, p.velocity, p.share, duct) for p in result.points if p.x is not None
    ]
    points = tuple(p for p in placed if p is not None)
    if not points:
        return None
    speeds = [p.velocity for p in points]
    mean = math.fsum(speeds) / len(speeds)
    spread = math.sqrt(math.fsum((s - mean) ** 2 for s in speeds) / max(len(speeds) - 1, 1))
    return VelocityMap(
        duct.shape,
        duct.width / duct.depth,
        points,
        mean,
        min(speeds),
        max(speeds),
        spread / mean if mean else 0.0,
        min(points, key=lambda p: p.velocity).label,
        max(points, key=lambda p: p.velocity).label,
    )


def _map_point(
    label: str, x: float | None, y: float | None, velocity: float, share: float, duct: Duct
) -> MapPoint | None:
    if x is None or y is None:
        return None
    if duct.shape is Shape.ROUND:
        return MapPoint(label, 0.5 + x / duct.width, 0.5 - y / duct.width, velocity, share)
    return MapPoint(label, x / duct.width, y / duct.depth, velocity, share)
