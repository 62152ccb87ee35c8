"""Customers, their sites, the systems in them and the points to be measured: added and changed.

All values SI. Every action needs the right to plan, checks what it is given, and records an event.
"""

from collections.abc import Mapping
from typing import Any
from uuid import UUID
from zoneinfo import available_timezones

from django.db import transaction
from django.utils.translation import gettext

from jobs import events, quotas
from jobs.access import Action, Actor, require
from jobs.bookings import rezone
from jobs.errors import Fault
from jobs.models import (
    Customer,
    DensityBasis,
    Measurand,
    PointKind,
    Shape,
    Site,
    System,
    SystemKind,
    TestPoint,
)
from jobs.rows import apply, check, check_single, locked, related, save, seen_as
from jobs.units import DESIGNED_IN

SMALLEST_M, LARGEST_M, LARGEST_FLOW = 0.02, 20.0, 2000.0
_SIZES = ("width_m", "height_m", "diameter_m")
_SIZES_OF = {
    Shape.NONE: (),
    Shape.ROUND: ("diameter_m",),
    Shape.RECTANGULAR: ("width_m", "height_m"),
    Shape.OVAL: ("width_m", "height_m"),
}


@transaction.atomic
def add_customer(
    actor: Actor, *, name: str, contact_name: str = "", contact_email: str = "", address: str = ""
) -> Customer:
    """Raises Invalid, or Conflict when the name is taken."""
    require(actor, Action.PLAN)
    row = Customer(name=name, contact_name=contact_name, contact_email=contact_email, address=address)
    check(row)
    check_single(row, "/name", "name")
    row.save(force_insert=True)
    events.record(actor, "customer.added", "customer", row.id)
    return row


@transaction.atomic
def change_customer(actor: Actor, customer_id: UUID, *, seen: int, changes: Mapping[str, Any]) -> Customer:
    """Raises NotFound, PreconditionFailed when `seen` is not its version, Invalid, Conflict."""
    require(actor, Action.PLAN)
    row: Customer = locked(Customer.objects.all(), actor, customer_id)
    seen_as(row, seen)
    differing = apply(row, changes)
    check(row)
    check_single(row, "/name", "name")
    save(row, differing)
    # Names of fields only: contact data belongs in a table that can forget.
    _record_change(actor, "customer", row, differing, values=False)
    return row


@transaction.atomic
def add_site(
    actor: Actor,
    *,
    customer_id: UUID,
    name: str,
    address: str = "",
    elevation_m: float = 0.0,
    time_zone: str = "UTC",
) -> Site:
    """Raises Invalid (also for an unknown customer or time zone), or Conflict when the name is taken."""
    require(actor, Action.PLAN)
    owner = related(Customer.objects.all(), actor, customer_id, "/customer")
    row = Site(customer=owner, name=name, address=address, elevation_m=elevation_m, time_zone=time_zone)
    check(row, _site_faults(row))
    check_single(row, "/name", "customer_id", "name")
    row.save(force_insert=True)
    events.record(actor, "site.added", "site", row.id)
    return row


@transaction.atomic
def change_site(actor: Actor, site_id: UUID, *, seen: int, changes: Mapping[str, Any]) -> Site:
    """Another time zone moves the moments of what is planned there. Raises NotFound, PreconditionFailed,
    Invalid, Conflict."""
    require(actor, Action.PLAN)
    row: Site = locked(Site.objects.select_related("customer"), actor, site_id)
    seen_as(row, seen)
    differing = apply(row, changes)
    check(row, _site_faults(row))
    check_single(row, "/name", "customer_id", "name")
    save(row, differing)
    if "time_zone" in differing:
        rezone(row)
    _record_change(actor, "site", row, differing)
    return row


def _site_faults(row: Site) -> list[Fault]:
    if row.time_zone in available_timezones():
        return []
    return [Fault("/time_zone", gettext("is no time zone; use a name of the IANA list, e.g. Europe/Paris"))]


@transaction.atomic
def add_system(
    actor: Actor, *, site_id: UUID, tag: str, name: str = "", kind: str = SystemKind.SUPPLY
) -> System:
    """Raises Invalid, or Conflict when the site has the tag already."""
    require(actor, Action.PLAN)
    row = System(site=related(Site.objects.all(), actor, site_id, "/site"), tag=tag, name=name, kind=kind)
    check(row)
    check_single(row, "/tag", "site_id", "tag")
    row.save(force_insert=True)
    events.record(actor, "system.added", "system", row.id)
    return row


@transaction.atomic
def change_system(actor: Actor, system_id: UUID, *, seen: int, changes: Mapping[str, Any]) -> System:
    """Raises NotFound, PreconditionFailed, Invalid, Conflict."""
    require(actor, Action.PLAN)
    row: System = locked(System.objects.select_related("site"), actor, system_id)
    seen_as(row, seen)
    differing = apply(row, changes)
    check(row)
    check_single(row, "/tag", "site_id", "tag")
    save(row, differing)
    _record_change(actor, "system", row, differing)
    return row


@transaction.atomic
def add_point(
    actor: Actor,
    *,
    system_id: UUID,
    tag: str,
    kind: str,
    parent_id: UUID | None = None,
    design_basis: str = DensityBasis.ACTUAL,
    **fields: Any,
) -> TestPoint:
    """`fields`: location, shape, width_m, height_m, diameter_m, design_flow (m³/s), design_entered,
    design_of, design_value, limit_low, limit_high (SI), tolerance_below, tolerance_above (shares), position.

    Raises Invalid, Conflict.
    """
    require(actor, Action.PLAN)
    system = related(System.objects.all(), actor, system_id, "/system")
    row = TestPoint(
        system=system, tag=tag, kind=kind, parent_id=parent_id, design_basis=design_basis, **fields
    )
    check(row, [*point_faults(row), *_parent_faults(row)])
    check_single(row, "/tag", "system_id", "tag")
    quotas.require_room(quotas.Kind.POINTS)
    row.save(force_insert=True)
    events.record(actor, "point.added", "test_point", row.id)
    return row


@transaction.atomic
def change_point(actor: Actor, point_id: UUID, *, seen: int, changes: Mapping[str, Any]) -> TestPoint:
    """Raises NotFound, PreconditionFailed, Invalid, Conflict."""
    require(actor, Action.PLAN)
    row: TestPoint = locked(TestPoint.objects.select_related("system"), actor, point_id)
    seen_as(row, seen)
    differing = apply(row, changes)
    check(row, [*point_faults(row), *_parent_faults(row)])
    check_single(row, "/tag", "system_id", "tag")
    save(row, differing)
    _record_change(actor, "test_point", row, differing)
    return row


def point_faults(row: TestPoint) -> list[Fault]:
    """What is wrong with a point by itself: sizes for its shape, likely figures, a tolerance with width."""
    found = _shape_faults(row)
    if row.design_flow is not None and not 0.0 < row.design_flow <= LARGEST_FLOW:
        found.append(
            Fault(
                "/design_flow",
                gettext("must be above 0 and at most %(largest_flow)s m³/s")
                % {"largest_flow": f"{LARGEST_FLOW:g}"},
            )
        )
    for name in ("tolerance_below", "tolerance_above"):
        value = getattr(row, name)
        if value is not None and not 0.0 <= value <= 1.0:
            found.append(Fault(f"/{name}", gettext("must be a share from 0 to 1, e.g. 0.1 for 10 %")))
    if row.tolerance_below == 0.0 and row.tolerance_above == 0.0:
        found.append(
            Fault("/tolerance_above", gettext("nothing lies within 0 below and 0 above; widen one of them"))
        )
    return found + _design_faults(row)


_AT_MOST = (Measurand.NC_RATING, Measurand.EXTERNAL_STATIC)
"""Where a tolerance below the design would fail what is better than asked for."""


def _design_faults(row: TestPoint) -> list[Fault]:
    """A design of something else than a flow: named, with a figure, its limits in order."""
    figures = (row.design_value, row.limit_low, row.limit_high)
    if not row.design_of:
        unnamed = any(figure is not None for figure in figures)
        return [Fault("/design/of", gettext("say what the figures are about"))] if unnamed else []
    if row.design_of not in DESIGNED_IN:
        return [
            Fault(
                "/design/of",
                gettext("a flow's design is design_flow; a leakage test brings its class with it"),
            )
        ]
    if all(figure is None for figure in figures):
        return [Fault("/design/value", gettext("give the value, or at least one limit"))]
    if row.design_of in _AT_MOST and row.limit_low is None and row.limit_high is None:
        return [Fault("/design/high", gettext("give the highest that is allowed; less of it is no fault"))]
    if row.limit_low is not None and row.limit_high is not None and row.limit_low > row.limit_high:
        return [Fault("/design/low", gettext("lies above the high limit"))]
    return []


def _shape_faults(row: TestPoint) -> list[Fault]:
    needed = _SIZES_OF.get(Shape(row.shape), ()) if row.shape in Shape.values else ()
    found = []
    if row.kind == PointKind.PLANE and row.shape == Shape.NONE:
        found.append(Fault("/shape", gettext("a traverse plane needs its shape: round, rectangular or oval")))
    for name in _SIZES:
        value, pointer = getattr(row, name), f"/{name.removesuffix('_m')}"
        if value is None and name in needed:
            found.append(Fault(pointer, gettext("a %(shape)s duct needs it") % {"shape": row.shape}))
        if value is not None and name not in needed:
            found.append(
                Fault(
                    pointer,
                    gettext("does not belong to %(value)s; leave it out")
                    % {"value": row.shape or "a point without shape"},
                )
            )
        if value is not None and not SMALLEST_M <= value <= LARGEST_M:
            found.append(
                Fault(
                    pointer,
                    gettext("is %(value)s m; ducts are %(smallest_m)s to %(largest_m)s m")
                    % {"value": f"{value:g}", "smallest_m": SMALLEST_M, "largest_m": f"{LARGEST_M:g}"},
                )
            )
    return found


def _parent_faults(row: TestPoint) -> list[Fault]:
    """The parent is another point of the same system, and none of its own children's children."""
    if row.parent_id is None:
        return []
    up = dict(TestPoint.objects.filter(system_id=row.system_id).values_list("id", "parent_id"))
    if row.parent_id not in up:
        return [Fault("/parent", gettext("There is nothing by that id in this system."))]
    here: UUID | None = row.parent_id
    seen: set[UUID] = set()
    while here is not None and here not in seen:
        if here == row.id:
            return [Fault("/parent", gettext("would make the point its own ancestor"))]
        seen.add(here)
        here = up.get(here)
    return []


def _record_change(
    actor: Actor, subject: str, row: Any, differing: Mapping[str, tuple[Any, Any]], *, values: bool = True
) -> None:
    if not differing:
        return
    data: dict[str, Any] = {"fields": sorted(differing)}
    if values:
        data["changes"] = {
            name: [_plain(before), _plain(after)] for name, (before, after) in differing.items()
        }
    events.record(actor, f"{subject.removeprefix('test_')}.changed", subject, row.id, data=data)


def _plain(value: Any) -> Any:
    return value if value is None or isinstance(value, (bool, int, float)) else str(value)
