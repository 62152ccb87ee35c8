"""The company and its settings, people, what they use to come in, and the company's log."""

from datetime import datetime, time
from typing import Any
from uuid import UUID

import strawberry
from strawberry.scalars import JSON

from config.graphql.lists import Filters, filters
from config.graphql.rows import Named, Node, name_of, node, one, told
from jobs import models as jobs
from jobs import queries
from jobs.access import Action, may
from jobs.http.graphql import actor_of
from jobs.rest.company import EVENT_FILTERS
from jobs.rest.people import MEMBER_FILTERS
from jobs.tenancy.ids import short_id

MEMBERS: Filters = filters(
    MEMBER_FILTERS,
    active=(bool, "Only those who work here, or only those who left."),
    role=(str, f"One of {', '.join(jobs.Role.values)}."),
)
EVENTS: Filters = filters(
    EVENT_FILTERS,
    subject=(str, "Only what happened to one thing, by its uuid."),
    verb=(str, "Only one kind, e.g. session.stored."),
)


@node(
    jobs.Company,
    "A contractor, and the rules of its house.",
    rows=lambda actor: jobs.Company.objects.filter(id=actor.company_id),
)
class Company(Node):
    name: str
    letterhead: str
    time_zone: str
    unit_system: str
    paper: str
    standard_density: float
    tolerance_below: float
    tolerance_above: float
    decision_rule: str
    decision_parameter: float
    self_approval: bool
    fan_static: str
    rule_bias_corrected: bool
    calibration_lapse: str
    reminder_days: list[int]
    day_starts: time
    day_ends: time
    travel_minutes: int
    plan_mails: bool
    second_factor: bool = strawberry.field(description="Owners and supervisors need one.")
    second_factor_by: datetime | None
    created_at: datetime
    version: int

    @strawberry.field(description="As it stands in tokens and addresses.")
    def short_id(root: Any) -> str:
        return short_id(root.pk)


@node(jobs.Member, "A person's place in the company.", rows=queries.visible_members)
class Member(Node):
    name: str
    email: str
    roles: list[str]
    unit_system: str = strawberry.field(description="On their own screen; empty: the company's.")
    active: bool
    created_at: datetime
    version: int


@node(
    jobs.Invitation,
    "An offer of membership, for those who manage people. Its secret is in the mail only.",
    rows=queries.visible_invitations,
)
class Invitation(Node):
    email: str
    name: str
    roles: list[str]
    invited_by: Member | None = one("invited_by", "Null: an operator of the service.")
    created_at: datetime
    expires_at: datetime
    accepted_at: datetime | None
    revoked_at: datetime | None


@node(jobs.Device, "A tablet, for those who enrol them.", rows=queries.visible_devices)
class Device(Node):
    name: str
    enrolled_by: Member | None = one("enrolled_by")
    enrolled_at: datetime
    revoked_at: datetime | None


@node(
    jobs.Integration,
    "Another system that is connected, for those who manage keys. It never measures, reviews or approves.",
    rows=queries.visible_integrations,
)
class Integration(Node):
    name: str
    contact: str
    purpose: str
    created_by: Member | None = one("created_by")
    created_at: datetime
    ended_at: datetime | None
    version: int


@node(
    jobs.AccessToken,
    "A key of another system, for those who manage keys; never its secret.",
    rows=queries.visible_keys,
)
class Key(Node):
    name: str
    scopes: list[str]
    stored_only: bool = strawberry.field(description="It asks stored queries and nothing else.")
    integration: Integration | None = one("integration", "Whose key it is.")
    created_by: Member | None = one("created_by")
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None


@node(jobs.StoredQuery, 'A query that is asked by its digest: {"id": sha256, "variables": …}.')
class StoredQuery(Node):
    name: str
    sha256: str
    text: str
    member: Member | None = one("member")
    key: Named | None = name_of("token", "The key that stored it.")
    stored_at: datetime


@strawberry.type(description="Who asks, and what they may do.")
class Me:
    company: Company
    member: Member | None = strawberry.field(description="Null for a key.")
    device: UUID | None
    kind: str = strawberry.field(description="session, person or integration.")
    scopes: list[str]
    may: list[str]


def me(info: strawberry.Info) -> Me:
    actor = actor_of(info)
    member = queries.visible_members(actor).filter(id=actor.member_id).first() if actor.member_id else None
    return Me(  # type: ignore[call-arg]  # rows stand for their types
        company=jobs.Company.objects.get(),  # type: ignore[arg-type]
        member=member,  # type: ignore[arg-type]
        device=actor.device_id,
        kind=actor.kind.value if actor.kind else "session",
        scopes=sorted(actor.scopes),
        may=[action.value for action in Action if may(actor, action)],
    )


@strawberry.type(description="What an event is about.")
class Subject:
    type: str
    uuid: UUID


@node(
    jobs.EventPosition,
    "One thing that happened, under its number in the company's log.",
    rows=lambda actor: queries.visible(jobs.EventPosition.objects.select_related("event"), actor),
)
class Event(Node):
    number: int
    uuid: UUID = told("event_id", "As REST and webhooks name it.")
    at: datetime = told("event.at")
    verb: str = told("event.verb", "E.g. session.stored.")
    member: Named | None = name_of("event.member")
    device: Named | None = name_of("event.device")
    key: Named | None = name_of("event.token", "The token it came with.")
    data: JSON = told("event.data")
    content_digest: str = told("event.content_digest", "SHA-256 of what was stored; empty for none.")

    @strawberry.field
    def subject(root: Any) -> Subject:
        return Subject(type=root.event.subject_type, uuid=root.event.subject_id)
