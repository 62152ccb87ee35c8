"""What a person may see and how it is fetched. Every door reads through here."""

from datetime import datetime
from typing import TypeVar

from django.db.models import BooleanField, ExpressionWrapper, Model, Prefetch, Q, QuerySet
from django.utils import timezone

from jobs.access import Action, Actor, require
from jobs.models import (
    AccessToken,
    Certificate,
    CertificateFile,
    CertificatePoint,
    Customer,
    Device,
    EventPosition,
    Instrument,
    InstrumentAssignment,
    InstrumentRange,
    Integration,
    Invitation,
    Job,
    JobSystem,
    Member,
    PersonAssignment,
    Site,
    StoredQuery,
    System,
    TestPoint,
    TokenKind,
)

M = TypeVar("M", bound=Model)


def visible(rows: QuerySet[M], actor: Actor | None) -> QuerySet[M]:
    """The rows that the actor may see: those of their company, if they may read at all.

    Raises NotSignedIn or Forbidden. Within a company everybody who may read sees every job and figure.
    """
    return rows.filter(company_id=require(actor, Action.READ).company_id)


def visible_members(actor: Actor | None) -> QuerySet[Member]:
    return visible(Member.objects.all(), actor)


def visible_invitations(actor: Actor | None) -> QuerySet[Invitation]:
    """For those who manage people."""
    rows = Invitation.objects.select_related("invited_by")
    return rows.filter(company_id=require(actor, Action.MANAGE_PEOPLE).company_id)


def holding(at: datetime) -> Q:
    """Tokens that hold at a moment: neither revoked nor past their end. `access` asks each request alike."""
    return Q(revoked_at=None) & (Q(expires_at=None) | Q(expires_at__gt=at))


def visible_keys(actor: Actor | None) -> QuerySet[AccessToken]:
    """Integration keys, for those who manage them; `holds` says whether one is good now."""
    rows = AccessToken.objects.filter(company_id=require(actor, Action.MANAGE_KEYS).company_id)
    holds = ExpressionWrapper(holding(timezone.now()), BooleanField())
    keys = rows.filter(kind=TokenKind.INTEGRATION).annotate(holds=holds)
    return keys.select_related("created_by", "integration")


def visible_integrations(actor: Actor | None) -> QuerySet[Integration]:
    """Integrations with who added them, for those who manage their keys."""
    rows = Integration.objects.select_related("created_by")
    return rows.filter(company_id=require(actor, Action.MANAGE_KEYS).company_id)


def visible_stored_queries(actor: Actor | None) -> QuerySet[StoredQuery]:
    """Queries of GraphQL that the company keeps, with who stored them."""
    return visible(StoredQuery.objects.select_related("member", "token"), actor)


def visible_devices(actor: Actor | None) -> QuerySet[Device]:
    """Tablets, for those who enrol them."""
    rows = Device.objects.select_related("enrolled_by")
    return rows.filter(company_id=require(actor, Action.ENROL_DEVICE).company_id)


def visible_events(actor: Actor | None) -> QuerySet[EventPosition]:
    """Numbered events with who did them, in their order."""
    rows = EventPosition.objects.select_related("event__member", "event__device", "event__token")
    return visible(rows, actor).order_by("number")


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
    return visible(found.prefetch_related(Prefetch("points", points), "superseded_by", "files"), actor)


def visible_certificate_files(actor: Actor | None) -> QuerySet[CertificateFile]:
    return visible(CertificateFile.objects.all(), actor)
