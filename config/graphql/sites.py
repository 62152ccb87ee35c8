"""Customers, sites, systems and test points."""

from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import strawberry

from config.graphql.lists import NEWEST_FIRST, Connection, Filters, filters, many
from config.graphql.measurements import FLAGS, SESSIONS, Flag, Session
from config.graphql.photos import Photo
from config.graphql.rows import Node, node, one
from jobs import models as jobs
from jobs.rest.register import CUSTOMER_FILTERS, POINT_FILTERS, SITE_FILTERS, SYSTEM_FILTERS
from measurements import models as measurements

if TYPE_CHECKING:
    from config.graphql.jobs import Job

CUSTOMERS: Filters = filters(CUSTOMER_FILTERS, name=(str, "Only the one of this name."))
SITES: Filters = filters(
    SITE_FILTERS,
    customer=(jobs.Customer, "Only those of one customer."),
    name=(str, "Only those of this name."),
)
SYSTEMS: Filters = filters(
    SYSTEM_FILTERS,
    site=(jobs.Site, "Only those of one site."),
    tag=(str, "Only those with this tag."),
)
POINTS: Filters = filters(
    POINT_FILTERS,
    system=(jobs.System, "Only those of one system."),
    site=(jobs.Site, "Only those of one site."),
    kind=(str, f"One of {', '.join(jobs.PointKind.values)}."),
    tag=(str, "Only those with this tag."),
)


@node(jobs.TestPoint, "A place in a system that gets a figure.")
class TestPoint(Node):
    tag: str
    kind: str
    location: str
    shape: str
    width_m: float | None
    height_m: float | None
    diameter_m: float | None
    design_flow: float | None = strawberry.field(description="m³/s")
    design_entered: str = strawberry.field(description="As the schedule gave it, with unit.")
    design_basis: str
    design_of: str = strawberry.field(description="What `designValue` and the limits are about.")
    design_value: float | None
    limit_low: float | None
    limit_high: float | None
    tolerance_below: float | None = strawberry.field(description="Share; null: the job's or company's.")
    tolerance_above: float | None
    position: int = strawberry.field(description="Order in the schedule.")
    created_at: datetime
    version: int
    system: Annotated["System", strawberry.lazy("config.graphql.sites")] | None = one("system")
    parent: Annotated["TestPoint", strawberry.lazy("config.graphql.sites")] | None = one(
        "parent", "The point upstream."
    )
    children: Connection[Annotated["TestPoint", strawberry.lazy("config.graphql.sites")]] = many(
        jobs.TestPoint, "parent", "The points downstream."
    )
    sessions: Connection[Session] = many(
        measurements.Session, "test_point", "Oldest first.", narrowed=SESSIONS.but("test_point")
    )
    flags: Connection[Flag] = many(
        measurements.Flag, "test_point", order=NEWEST_FIRST, narrowed=FLAGS.but("session")
    )
    photos: Connection[Photo] = many(
        measurements.Photo, "test_point", "Photos and notes taken here.", order=NEWEST_FIRST
    )


@node(jobs.System, "An air or water system of a site.")
class System(Node):
    tag: str
    name: str
    kind: str
    created_at: datetime
    version: int
    site: Annotated["Site", strawberry.lazy("config.graphql.sites")] | None = one("site")
    points: Connection[TestPoint] = many(jobs.TestPoint, "system", narrowed=POINTS.but("system", "site"))
    jobs: Connection[Annotated["Job", strawberry.lazy("config.graphql.jobs")]] = many(
        jobs.Job, "job_systems__system", "Newest first.", order=NEWEST_FIRST
    )
    flags: Connection[Flag] = many(
        measurements.Flag,
        "system",
        "Of the system itself, such as the sum of its outlets.",
        order=NEWEST_FIRST,
        narrowed=FLAGS.but("session"),
    )


@node(jobs.Site, "A building or campus of a customer.")
class Site(Node):
    name: str
    address: str
    elevation_m: float = strawberry.field(description="Above sea level; stands in for a barometer.")
    time_zone: str
    created_at: datetime
    version: int
    customer: Annotated["Customer", strawberry.lazy("config.graphql.sites")] | None = one("customer")
    systems: Connection[System] = many(jobs.System, "site", narrowed=SYSTEMS.but("site"))
    jobs: Connection[Annotated["Job", strawberry.lazy("config.graphql.jobs")]] = many(
        jobs.Job, "site", "Newest first.", order=NEWEST_FIRST
    )


@node(jobs.Customer, "Who orders the work.")
class Customer(Node):
    name: str
    contact_name: str
    contact_email: str
    address: str
    created_at: datetime
    version: int
    sites: Connection[Site] = many(jobs.Site, "customer", narrowed=SITES.but("customer"))
