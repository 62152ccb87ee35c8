"""Customers, sites, systems, test points and jobs."""

from typing import Annotated

import strawberry
import strawberry_django
from strawberry_django.relay import DjangoListConnection

from config.graphql.base import Seen
from config.graphql.measurements import Flag, Session
from config.graphql.reports import Revision
from jobs import models as jobs


@strawberry_django.type(jobs.TestPoint, description="A place in a system that gets a figure.")
class TestPoint(Seen):
    tag: str
    kind: str
    location: str
    shape: str
    width_m: float | None
    height_m: float | None
    diameter_m: float | None
    design_flow: float | None
    design_entered: str
    design_basis: str
    design_of: str
    design_value: float | None
    limit_low: float | None
    limit_high: float | None
    tolerance_below: float | None
    tolerance_above: float | None
    parent: Annotated["TestPoint", strawberry.lazy("config.graphql.sites")] | None
    sessions: DjangoListConnection[Session] = strawberry_django.connection(description="Oldest first.")


@strawberry_django.type(jobs.System, description="An air or water system of a site.")
class System(Seen):
    tag: str
    name: str
    kind: str
    points: DjangoListConnection[TestPoint] = strawberry_django.connection()


@strawberry_django.type(jobs.Job, description="Site, systems and a window of days.")
class Job(Seen):
    number: int
    title: str
    status: str
    starts_on: strawberry.auto
    ends_on: strawberry.auto
    site: Annotated["Site", strawberry.lazy("config.graphql.sites")]
    systems: DjangoListConnection[System] = strawberry_django.connection()
    sessions: DjangoListConnection[Session] = strawberry_django.connection(description="Oldest first.")
    flags: DjangoListConnection[Flag] = strawberry_django.connection()
    revisions: DjangoListConnection[Revision] = strawberry_django.connection()


@strawberry_django.type(jobs.Site, description="A building or campus of a customer.")
class Site(Seen):
    name: str
    address: str
    elevation_m: float
    time_zone: str
    customer: Annotated["Customer", strawberry.lazy("config.graphql.sites")]
    systems: DjangoListConnection[System] = strawberry_django.connection()
    jobs: DjangoListConnection[Job] = strawberry_django.connection()


@strawberry_django.type(jobs.Customer, description="Who orders the work.")
class Customer(Seen):
    name: str
    contact_name: str
    address: str
    sites: DjangoListConnection[Site] = strawberry_django.connection()
