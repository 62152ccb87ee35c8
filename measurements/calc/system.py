"""Figures of one system against each other: outlets against the traverse of the main duct, the difference as
leakage, a result against an earlier one.

The normalised difference E = |difference| / U is the E_n number of ISO 13528 and ISO/IEC 17043: up to 1 the
two agree within their uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from .distributions import coverage_factor
from .errors import Refused, finite, not_negative, positive
from .leakage_classes import EXPONENT
from .method import Estimate
from .uncertainty import Result

CERTAIN_DIFFERENCE = 1e-9


@dataclass(frozen=True, slots=True)
class SystemBalance:
    """Sum of outlets against the main duct; flows in m3/s on one density basis.

    difference: sum - main. U: expanded uncertainty of the difference. normalised: |difference| / U.
    """

    outlet_sum: float
    outlet_U: float
    main: float
    main_U: float
    difference: float
    relative_difference: float
    U: float
    normalised: float
    agrees: bool


def balance(
    outlets: Sequence[Result], main: Result, *, common: float = 1.0, leakage_allowed: float = 0.0
) -> SystemBalance:
    """Compare the sum of outlet flows with the flow of the main duct.

    common: correlation between the outlets' errors, 0 to 1. The same hood at all of them makes most of
    each error common, so 1 (uncertainties add) is the cautious choice. leakage_allowed: fraction of the main
    flow that the duct between may lose (supply); it widens the comparison on that side only.
    """
    if not outlets:
        raise Refused("outlets", "need at least one")
    if not 0.0 <= finite("common", common) <= 1.0:
        raise Refused("common", "must be from 0 to 1", common)
    total = math.fsum(abs(o.value) for o in outlets)
    added = math.fsum(o.U for o in outlets)
    outlet_U = math.sqrt(common * added**2 + (1.0 - common) * math.fsum(o.U**2 for o in outlets))
    flow = abs(main.value)
    difference = total - flow
    lost = not_negative("leakage_allowed", leakage_allowed) * flow
    beyond = max(abs(difference) - (lost if difference < 0.0 else 0.0), 0.0)
    U = math.hypot(outlet_U, main.U)
    normalised = _normalised(beyond, U, flow)
    relative = difference / flow if flow else math.inf
    return SystemBalance(
        total, outlet_U, flow, main.U, difference, relative, U, normalised, normalised <= 1.0
    )


class LeakageFinding(StrEnum):
    """Whether leakage between main duct and outlets explains their difference."""

    AGREES = "agrees"
    """The two agree within their uncertainty: no leakage can be told."""
    EXPLAINED = "explained"
    """The main duct carries more, by no more than the duct's class allows (within the uncertainty)."""
    NOT_EXPLAINED = "not_explained"
    """The main duct carries more than the outlets and the leakage allowed: a missed outlet, a leak above its
    class, or an instrument."""
    OPPOSITE = "opposite"
    """The outlets of a supply system add up to more than its main duct: no leakage does that."""


@dataclass(frozen=True, slots=True)
class LeakageCheck:
    """The difference between main duct and outlets as leakage, m3/s.

    leakage: what went missing on the way, with its expanded uncertainty U; share: of the main flow, with its
    own. allowed: by the duct's class, surface and pressure, U_allowed its expanded uncertainty. coefficient:
    m3/(s m2) at 1 Pa that the whole difference would mean. normalised: the part beyond what is allowed over
    the combined uncertainty.
    """

    finding: LeakageFinding
    leakage: float
    U: float
    share: float
    share_U: float
    allowed: float
    allowed_U: float
    coefficient: float
    normalised: float


def leakage_between(
    found: SystemBalance,
    surface: Estimate,
    pressure: Estimate,
    coefficient: float,
    *,
    exponent: float = EXPONENT,
) -> LeakageCheck:
    """Test leakage as the explanation of a difference between outlets and main duct.

    surface: of the duct between, m2. pressure: mean static pressure in it against the room, Pa, as a
    magnitude. coefficient: of its class, m3/(s m2) at 1 Pa (`leakage_classes.EN_COEFFICIENTS`). Supply air
    leaks out, extract air in: either way the main duct at the fan carries more than the outlets.
    Errors: Refused for figures that are not above zero.
    """
    area, p = positive("surface", surface.value), positive("pressure", pressure.value)
    positive("coefficient", coefficient)
    if not 0.5 <= finite("exponent", exponent) <= 1.0:
        raise Refused("exponent", "must be from 0.5 to 1", exponent)
    full = area * p**exponent
    allowed = coefficient * full
    allowed_u = allowed * math.hypot(
        not_negative("surface.u", surface.u) / area, exponent * not_negative("pressure.u", pressure.u) / p
    )
    allowed_U = coverage_factor(min(surface.dof, pressure.dof)) * allowed_u
    leakage = -found.difference
    share, main = (leakage / found.main, found.main) if found.main else (math.inf, math.inf)
    # share = 1 - sum / main: the main flow's error acts by the sum over its square.
    share_U = math.hypot(found.outlet_U, found.outlet_sum * found.main_U / main) / main
    beyond = max(leakage - allowed, 0.0) if leakage > 0.0 else -leakage
    U = math.hypot(found.U, allowed_U) if leakage > 0.0 else found.U
    normalised = _normalised(beyond, U, found.main)
    finding = _finding(abs(leakage) <= found.U, leakage, normalised)
    return LeakageCheck(
        finding, leakage, found.U, share, share_U, allowed, allowed_U, leakage / full, normalised
    )


def _finding(agrees: bool, leakage: float, normalised: float) -> LeakageFinding:
    if agrees:
        return LeakageFinding.AGREES
    if leakage < 0.0:
        return LeakageFinding.OPPOSITE
    return LeakageFinding.EXPLAINED if normalised <= 1.0 else LeakageFinding.NOT_EXPLAINED


@dataclass(frozen=True, slots=True)
class Change:
    """A result against an earlier one of the same quantity, in its unit.

    difference: result - earlier. relative: over the earlier value. u, U, k, dof: of the difference.
    normalised: |difference| / U. changed: more than the combined uncertainty lets one expect.
    """

    difference: float
    relative: float
    u: float
    U: float
    k: float
    dof: float
    normalised: float
    changed: bool


def against_earlier(result: Result, earlier: Result, *, correlation: float = 0.0) -> Change:
    """Change between two results of one quantity, with its combined uncertainty.

    correlation: between the errors of the two, 0 to 1. What the same instrument with the same certificate
    did to both cancels in the difference: u^2 = u1^2 + u2^2 - 2 r u1 u2 (GUM 5.2.2). Effective degrees of
    freedom by Welch-Satterthwaite with the parts of the two as if independent, which is cautious.
    Errors: Refused for results of different units and a correlation outside 0 to 1.
    """
    if result.unit != earlier.unit:
        raise Refused("earlier", "is in another unit", earlier.unit)
    r = finite("correlation", correlation)
    if not 0.0 <= r <= 1.0:
        raise Refused("correlation", "must be from 0 to 1", correlation)
    u = math.sqrt(max(result.u**2 + earlier.u**2 - 2.0 * r * result.u * earlier.u, 0.0))
    dof = _dof(u, (result, earlier))
    k = coverage_factor(dof, result.coverage)
    difference = result.value - earlier.value
    size = max(abs(result.value), abs(earlier.value))
    normalised = _normalised(abs(difference), k * u, size)
    relative = difference / abs(earlier.value) if earlier.value else math.copysign(math.inf, difference)
    if not difference:
        relative = 0.0
    return Change(difference, relative, u, k * u, k, dof, normalised, normalised > 1.0)


def _dof(u: float, results: Sequence[Result]) -> float:
    """Welch-Satterthwaite, never more than the two would give alone."""
    whole = math.fsum(r.u**4 / r.dof for r in results)
    if whole == 0.0:
        return math.inf
    added = math.fsum(r.u**2 for r in results)
    return min(u**4, added**2) / whole if u > 0.0 else min(r.dof for r in results)


def _normalised(difference: float, U: float, size: float) -> float:
    """Difference over its expanded uncertainty; with none, what is left of rounding counts as nothing."""
    if U > 0.0:
        return difference / U
    return 0.0 if difference <= CERTAIN_DIFFERENCE * size else math.inf
