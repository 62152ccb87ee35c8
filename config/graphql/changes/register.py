"""Changes of customers, sites, systems and test points."""

import strawberry

from config.graphql.changes.base import Asked, Outcome, Repeats, change
from config.graphql.sites import Customer, Site, System, TestPoint
from jobs import register
from jobs.access import Action
from jobs.rest import register_shapes as shapes

ADDED = Repeats.ANSWERED


@strawberry.type
class CustomerOutcome(Outcome):
    customer: Customer | None = None


@strawberry.type
class SiteOutcome(Outcome):
    site: Site | None = None


@strawberry.type
class SystemOutcome(Outcome):
    system: System | None = None


@strawberry.type
class PointOutcome(Outcome):
    point: TestPoint | None = None


@change(Action.PLAN, takes=shapes.CustomerIn, repeats=ADDED)
def customer_add(asked: Asked) -> CustomerOutcome:
    """Add a customer; names differ within the company."""
    return CustomerOutcome.of(customer=register.add_customer(asked.actor, **asked.given))


@change(Action.PLAN, "customer", takes=shapes.CustomerIn, part=True, seen=int)
def customer_change(asked: Asked) -> CustomerOutcome:
    """Change some fields of a customer."""
    row = register.change_customer(asked.actor, asked.at("customer"), seen=asked.version, changes=asked.given)
    return CustomerOutcome.of(customer=row)


@change(Action.PLAN, takes=shapes.SiteIn, repeats=ADDED)
def site_add(asked: Asked) -> SiteOutcome:
    """Add a site of a customer."""
    data = asked.given
    owner = data.pop("customer")
    row = register.add_site(asked.actor, customer_id=owner, **shapes.site_fields(data))
    return SiteOutcome.of(site=row)


@change(Action.PLAN, "site", takes=shapes.SiteChange, part=True, seen=int)
def site_change(asked: Asked) -> SiteOutcome:
    """Change some fields of a site."""
    row = register.change_site(
        asked.actor, asked.at("site"), seen=asked.version, changes=shapes.site_fields(asked.given)
    )
    return SiteOutcome.of(site=row)


@change(Action.PLAN, takes=shapes.SystemIn, repeats=ADDED)
def system_add(asked: Asked) -> SystemOutcome:
    """Add a system; tags differ within a site."""
    data = asked.given
    return SystemOutcome.of(system=register.add_system(asked.actor, site_id=data.pop("site"), **data))


@change(Action.PLAN, "system", takes=shapes.SystemChange, part=True, seen=int)
def system_change(asked: Asked) -> SystemOutcome:
    """Change some fields of a system."""
    row = register.change_system(asked.actor, asked.at("system"), seen=asked.version, changes=asked.given)
    return SystemOutcome.of(system=row)


@change(Action.PLAN, takes=shapes.PointIn, repeats=ADDED)
def point_add(asked: Asked) -> PointOutcome:
    """Add a test point; tags differ within a system."""
    data = asked.given
    system = data.pop("system")
    row = register.add_point(asked.actor, system_id=system, **shapes.point_fields(data))
    return PointOutcome.of(point=row)


@change(Action.PLAN, "point", takes=shapes.PointChange, part=True, seen=int)
def point_change(asked: Asked) -> PointOutcome:
    """Change some fields of a test point; null empties one."""
    row = register.change_point(
        asked.actor, asked.at("point"), seen=asked.version, changes=shapes.point_fields(asked.given)
    )
    return PointOutcome.of(point=row)
