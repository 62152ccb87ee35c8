"""Every REST route of the service, found in its URL conf, and ids to fill its address with.

So a new route is walked by the tests of all doors without being told of.
"""

import re
import uuid
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from hashlib import sha256
from typing import Any

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.urls import URLPattern, URLResolver, get_resolver
from django.utils import timezone
from drf_spectacular.generators import SchemaGenerator

from jobs import integrations, signins, stored_queries, travel
from jobs.access import Action, actor_for_token
from jobs.http.door import Door
from jobs.models import (
    Certificate,
    CertificateFile,
    CompanyExport,
    Integration,
    Invitation,
    Job,
    JobStatus,
    PersonAssignment,
    SignIn,
    StoredQuery,
    TestPoint,
    TravelTime,
)
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import recall
from measurements.interval_checks import Shown, record_check
from measurements.models import Flag, IntervalCheck, Photo, RecallCase, Result, Session
from reports import deliver, issue
from reports.document import to_bytes
from reports.models import Delivery, Issue, IssuedFile, Revision, Webhook, WebhookAttempt, WebhookMessage
from tests import factories
from tests.doors.client import Caller, signed_in, with_key, with_token
from tests.factories import World
from tests.measurements import pictures
from tests.render import sample
from tests.reports import scene

_PLACE = re.compile(r"<(?:\w+:)?(\w+)>")
WORDS = {"rule": "zero_shift"}
_SNAPSHOT = zlib.compress(to_bytes(sample.small()))
PROBLEM_ID = "walked-by-a-test"


@dataclass(frozen=True)
class Route:
    """One address below /api/v1, e.g. /jobs/{job_id}, and the view behind it."""

    template: str
    view: Any

    @property
    def names(self) -> list[str]:
        """Names of the ids in it; a word in its place is the same for every company."""
        return [name for name in re.findall(r"{(\w+)}", self.template) if name not in WORDS]

    @property
    def needs(self) -> dict[str, Action | None]:
        return dict(getattr(self.view, "needs", {}))

    @property
    def is_door(self) -> bool:
        return issubclass(self.view, Door)

    def path(self, ids: dict[str, Any]) -> str:
        return self.template.format(**WORDS, **ids)

    def __str__(self) -> str:
        return self.template


@cache
def routes() -> tuple[Route, ...]:
    """All routes of config/rest.py."""
    return tuple(_routes("/", get_resolver("config.rest").url_patterns))


def _routes(prefix: str, patterns: Iterable[Any]) -> Iterator[Route]:
    for entry in patterns:
        place = prefix + _PLACE.sub(r"{\1}", str(entry.pattern))
        if isinstance(entry, URLResolver):
            yield from _routes(place, entry.url_patterns)
        elif isinstance(entry, URLPattern):
            callback: Any = entry.callback
            yield Route(place, getattr(callback, "cls", None) or callback.view_class)


def doors() -> list[tuple[Route, str, Action | None]]:
    """Each route and method that is not public, with the action it needs."""
    return [(r, m, action) for r in routes() if r.is_door for m, action in r.needs.items()]


@cache
def needed() -> dict[tuple[str, str], Action | None]:
    """The action that each door needs, by method and template."""
    return {(method, route.template): action for route, method, action in doors()}


@cache
def schema() -> dict[str, Any]:
    """The OpenAPI document."""
    made: dict[str, Any] = SchemaGenerator(urlconf="config.urls").get_schema(request=None, public=True)
    return made


def operation(route: Route, method: str) -> dict[str, Any]:
    found: dict[str, Any] = schema()["paths"]["/api/v1" + route.template][method.lower()]
    return found


def resolved(shape: dict[str, Any]) -> dict[str, Any]:
    """A schema with its reference followed."""
    if "$ref" not in shape:
        return shape
    found: dict[str, Any] = schema()["components"]["schemas"][shape["$ref"].rpartition("/")[2]]
    return found


def answer_shape(route: Route) -> dict[str, Any]:
    """Schema of the JSON that a GET answers with; empty for another kind of body."""
    content = operation(route, "GET")["responses"].get("200", {}).get("content", {})
    return resolved(content.get("application/json", {}).get("schema", {}))


def lists() -> list[Route]:
    """Routes whose GET answers with `items`."""
    return [r for r in routes() if "GET" in r.needs and "items" in answer_shape(r).get("properties", {})]


def is_paged(route: Route) -> bool:
    return "next" in answer_shape(route)["properties"]


# Who asks

CALLERS: dict[Action, Callable[[World], Caller]] = {
    Action.READ: with_key,
    Action.MANAGE_COMPANY: lambda world: signed_in(world, "owner"),
    Action.MANAGE_PEOPLE: lambda world: signed_in(world, "owner"),
    Action.MANAGE_KEYS: lambda world: signed_in(world, "owner"),
    Action.ENROL_DEVICE: lambda world: signed_in(world, "owner"),
    Action.PLAN: with_key,
    Action.MANAGE_INSTRUMENTS: with_key,
    Action.MEASURE: lambda world: with_token(world.technician_token),
    Action.SUBMIT: lambda world: with_token(world.technician_token),
    Action.SET_RULES: lambda world: signed_in(world, "supervisor"),
    Action.REVIEW: lambda world: signed_in(world, "supervisor"),
    Action.APPROVE: lambda world: signed_in(world, "supervisor"),
    Action.ISSUE: lambda world: signed_in(world, "supervisor"),
    Action.MANAGE_WEBHOOKS: lambda world: signed_in(world, "owner"),
}


def caller_for(world: World, action: Action | None) -> Caller:
    """Somebody of the company who may do it."""
    return with_token(world.tablet) if action is None else CALLERS[action](world)


def call(caller: Caller, method: str, path: str, body: Any = None, **headers: str) -> Any:
    """A request that lacks nothing but perhaps a sensible body. A body of bytes is a CSV file."""
    if isinstance(body, bytes):
        headers["Content-Type"] = "text/csv"
    extra = {"Idempotency-Key": str(uuid.uuid4()), "If-Match": '"1"', "X-Request-ID": PROBLEM_ID} | headers
    return caller.send(method, path, {} if body is None else body, **extra)


# What there is to ask for


def full_world(name: str) -> World:
    """A company with a measured, approved and issued job, and at least one row behind every address."""
    world = factories.make_world(name)
    scene.measured(world, s3="70.0")
    scene.approved(world)
    pictures.stored(world)
    with company(world.id):
        made = issue.issue(world.actor("supervisor"), Revision.objects.get().id)
        # As if seen first and open still, so that nothing is refused before ids are looked at.
        Job.objects.update(status=JobStatus.OPEN, version=1)
        world.certificates["hood"] = Certificate.objects.get(instrument=world.instruments["hood"])
        file_of(made)
        certificate_file(world.certificates["hood"])
        deliver.deliver(world.actor("supervisor"), made.id, addresses=["reader@harbour.example"])
        invitation(world)
        signins.begin(world.users["owner"], "192.0.2.1", "")
        integrations.add(world.actor("owner"), name="Building portal")
        exported(world)
        key = actor_for_token(world.key_text)
        assert key is not None
        stored_queries.store(key, name="Open jobs", text="{ jobs { edges { cursor } } }")
        checked(world)
        travel.set_minutes(
            world.actor("owner"), world.site.id, factories.site(world.customer, "Annexe").id, 20
        )
        attempt(webhook(world))
        case = withdrawn(world)
        recall.keep(case, recall.computed(case, recall.missing(case)))
    return world


def exported(world: World) -> CompanyExport:
    """An export of the company with a file, without the seconds it takes to make one."""
    stored = default_storage.save(f"walk/{uuid.uuid4()}.zip", ContentFile(b"PK of a test"))
    now = timezone.now()
    made: CompanyExport = CompanyExport.objects.create(
        asked_by=world.owner, asked_at=now, finished_at=now, stored=stored, manifest_digest="0" * 64,
        expires_at=now + timedelta(days=1),
    )  # fmt: skip
    return made


def checked(world: World) -> None:
    """A check of the hood in the house."""
    record_check(
        world.actor("technician"), instrument_id=world.instruments["hood"].id, kind="zero", quantity="flow",
        at=timezone.now(), readings=[Shown("0", "L/s")],
    )  # fmt: skip


def webhook(world: World) -> Webhook:
    """A webhook as if made by the owner; nothing is sent to it."""
    made: Webhook = Webhook.objects.create(
        url="https://hooks.harbour-air.com/flow", secret=b"sealed", created_by=world.owner,
        created_at=timezone.now(),
    )  # fmt: skip
    return made


def attempt(hook: Webhook) -> WebhookAttempt:
    """A try that was logged."""
    now = timezone.now()
    message = WebhookMessage.objects.create(
        webhook=hook, subject_id=hook.id, state="delivered", due_at=now, created_at=now
    )
    made: WebhookAttempt = WebhookAttempt.objects.create(
        webhook=hook, message=message, at=now, seconds=0.1, outcome="delivered", status=204
    )
    return made


def check_of(world: World) -> uuid.UUID:
    with company(world.id):
        found: uuid.UUID = IntervalCheck.objects.earliest("at").id
        return found


def certificate_file(of: Certificate, content: bytes = b"%PDF-1.7 of a certificate") -> CertificateFile:
    """A stored file of a certificate."""
    stored = default_storage.save(f"walk/{of.id}.pdf", ContentFile(content))
    row: CertificateFile = CertificateFile.objects.create(
        certificate=of, name="scan.pdf", kind="pdf", size=len(content), stored=stored,
        sha256=sha256(content).hexdigest(),
    )  # fmt: skip
    return row


def withdrawn(world: World) -> RecallCase:
    """A recall of the hood, whose sessions a worker has to compute anew."""
    tool = world.instruments["hood"]
    newest = Certificate.objects.filter(instrument=tool).order_by("-calibrated_on", "-id")[0]
    return recall.withdraw(world.actor("owner"), newest.id, reason="Its laboratory withdrew it.")[0]


def file_of(made: Issue, content: bytes = b"%PDF-1.7 of a test") -> IssuedFile:
    """A stored file of a report, without the minute it takes to render one."""
    stored = default_storage.save(f"walk/{made.id}.pdf", ContentFile(content))
    row: IssuedFile = IssuedFile.objects.create(
        issue=made, name=stored, sha256=sha256(content).hexdigest(), size=len(content), pages=1,
        rendered_at=timezone.now(),
    )  # fmt: skip
    return row


def revision(world: World, job: Job, readings_csv: bytes = zlib.compress(b"")) -> Revision:
    """The next revision of a job, with a snapshot of no account."""
    before = Revision.objects.filter(job=job).order_by("revision").last()
    made: Revision = Revision.objects.create(
        job=job, revision=before.revision + 1 if before else 1, supersedes=before,
        approved_by=world.supervisor, approved_at=timezone.now(), self_approved=False, set_digest="0" * 64,
        snapshot=_SNAPSHOT, snapshot_digest="0" * 64, readings_csv=readings_csv,
    )  # fmt: skip
    return made


def report(world: World, job: Job, **fields: bytes) -> Issue:
    """An issued report with its file; `fields` are its revision's."""
    number = f"R-{uuid.uuid4().hex[:12]}"
    made: Issue = Issue.objects.create(
        revision=revision(world, job, **fields), number=number, address_key=number,
        issued_by=world.supervisor, issued_at=timezone.now(),
    )  # fmt: skip
    file_of(made)
    return made


def invitation(world: World) -> Invitation:
    made: Invitation = Invitation.objects.create(
        email=f"{uuid.uuid4().hex}@example.org", name="N. Body", roles=["technician"],
        secret_hash=uuid.uuid4().bytes * 2, invited_by=world.owner,
        expires_at=timezone.now() + timedelta(days=7),
    )  # fmt: skip
    return made


def ids_of(world: World) -> dict[str, uuid.UUID]:
    """An id of the company by the name that addresses give it. A new name needs an entry here."""
    with company(world.id):
        return {
            "certificate_id": world.certificates["hood"].id,
            "customer_id": world.customer.id,
            "delivery_id": Delivery.objects.first().id,
            "device_id": world.device.id,
            "export_id": CompanyExport.objects.first().id,
            "file_id": CertificateFile.objects.first().id,
            "flag_id": Flag.objects.filter(answers__isnull=False).first().id,
            "instrument_id": world.instruments["hood"].id,
            "invitation_id": Invitation.objects.earliest("created_at").id,
            "job_id": world.job.id,
            "key_id": world.key.id,
            "member_id": PersonAssignment.objects.first().member_id,
            "photo_id": Photo.objects.earliest("received_at").id,
            "point_id": TestPoint.objects.get(tag="S-1").id,
            "recall_id": RecallCase.objects.earliest("opened_at").id,
            "report_id": Issue.objects.earliest("issued_at").id,
            "result_id": Result.objects.first().id,
            "revision_id": Revision.objects.earliest("revision").id,
            "sign_in_id": SignIn.objects.filter(user=world.users["owner"]).earliest("began_at").id,
            "integration_id": Integration.objects.earliest("created_at").id,
            "session_id": Session.objects.first().id,
            "site_id": world.site.id,
            "stored_query_id": StoredQuery.objects.earliest("stored_at").id,
            "system_id": world.system.id,
            "travel_id": TravelTime.objects.first().id,
            "webhook_id": Webhook.objects.earliest("created_at").id,
        }


def session_at(world: World, tag: str) -> uuid.UUID:
    with company(world.id):
        found: uuid.UUID = Session.objects.filter(test_point__tag=tag).latest("received_at").id
        return found


def unknown_ids(names: Iterable[str]) -> dict[str, uuid.UUID]:
    return {name: uuid7() for name in names}
