"""What a person may see and how it is fetched. Every door reads through here."""

from typing import TypeVar

from django.db.models import Model, Prefetch, QuerySet

from jobs.access import Action, Actor, require
from jobs.models import (
    Certificate,
    CertificatePoint,
    Customer,
    Instrument,
    InstrumentAssignment,
    InstrumentRange,
    Job,
    JobSystem,
    PersonAssignment,
    Site,
    System,
    TestPoint,
)

M = TypeVar("M", bound=Model)


def visible(rows: QuerySet[M], actor: Actor | None) -> QuerySet[M]:
    """The rows that the actor may see: those of their company, if they may read at all.

    Raises NotSignedIn or Forbidden. Within a company everybody who may read sees every job and figure.
    """
    return rows.filter(company_id=require(actor, Action.READ).company_id)


def visible_customers(actor: Actor | None) -> QuerySet[Customer]:
    return visible(Customer.objects.all(), actor)


def visible_sites(actor: Actor | None) -> QuerySet[Site]:
    return visible(Site.objects.select_related("customer"), actor)


def visible_systems(actor: Actor | None) -> QuerySet[System]:
    return visible(System.objects.select_related("site"), actor)


def visible_points(actor: Actor | None) -> QuerySet[TestPoint]:
    return visible(TestPoint.objects.select_related("system", "parent"), actor)


def visible_jobs(actor: Actor | None) -> QuerySet[Job]:
    """Jobs with site, systems, people and instruments, in a constant number of statements."""
    systems = JobSystem.objects.select_related("system").order_by("system__tag")
    people = PersonAssignment.objects.select_related("member").order_by("starts_on", "id")
    tools = InstrumentAssignment.objects.select_related("instrument").order_by("starts_on", "id")
    jobs = Job.objects.select_related("site__customer").prefetch_related(
        Prefetch("job_systems", systems), Prefetch("people", people), Prefetch("instruments", tools)
    )
    return visible(jobs, actor)


def visible_instruments(actor: Actor | None) -> QuerySet[Instrument]:
    ranges = InstrumentRange.objects.order_by("quantity", "minimum")
    return visible(Instrument.objects.prefetch_related(Prefetch("ranges", ranges)), actor)


def visible_certificates(actor: Actor | None) -> QuerySet[Certificate]:
    """Certificates with their points and what superseded them."""
    points = CertificatePoint.objects.order_by("quantity", "reference")
    found = Certificate.objects.select_related("instrument", "supersedes")
    return visible(found.prefetch_related(Prefetch("points", points), "superseded_by"), actor)
