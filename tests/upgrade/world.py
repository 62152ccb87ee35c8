"""A small company with something in every table, as the actions of this release leave it: what is frozen.

Invented data. `build` needs an empty database with its tables, as the serving role, and the keys of
`freeze.KEYS` in the settings. It returns ids and secrets by name, which `stands` makes a World of again.
"""

import base64
import uuid
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from unittest.mock import patch
from uuid import UUID

from django.test import Client
from django.utils import timezone

from jobs import (
    attachments,
    calendars,
    due,
    factor,
    integrations,
    plan_mail,
    reminders,
    schedule_drafts,
    signins,
    stored_queries,
    support,
    tokens,
    travel,
)
from jobs.access import actor_for_member, actor_for_token
from jobs.instruments import Point, enter_certificate
from jobs.models import (
    AccessToken,
    Allowance,
    Certificate,
    Company,
    Customer,
    Device,
    Instrument,
    InstrumentKind,
    Integration,
    Job,
    Member,
    Quantity,
    ScheduleHead,
    SignIn,
    Site,
    StoredQuery,
    System,
    TestPoint,
    Tombstone,
    User,
)
from jobs.tenancy.context import company, company_var
from measurements import correct, photos, recall, recall_decisions, rule_settings, uploads
from measurements.corrected import Change
from measurements.models import PhotoPart, RecallCase, RecallDecisionKind, Session, Severity
from measurements.queries import recall_items
from measurements.rule_parameters import PARAMETERS
from reports import before, deferrals, deliver, exports, issue, looks, removal, reviewset, signers, webhooks
from reports import photos as report_photos
from reports.archive import take_in
from reports.models import DocumentKind, Revision
from tests import factories
from tests.archive import house
from tests.database import empty_database, owner_connection
from tests.doors import walk
from tests.doors.client import signed_in
from tests.factories import World
from tests.measurements import batches, methods, pictures
from tests.reports import scene
from tests.reports.certificates import PASSWORD, identity, pkcs12_of

WHY = "Looked at on site with the drawings; it stays."
FAR = timedelta(days=36_500)


def build() -> dict[str, Any]:
    """Makes two companies: one that came from elsewhere, and one that does all there is to do."""
    guest = moved()
    removed()
    world = factories.make_world(factories.FIRST)
    furnish(world)
    measure(world)
    documents(world)
    recalled(world)
    people(world)
    around(world)
    left_open(world)
    return {
        "guest": str(guest.id),
        "company": str(world.id),
        "key": world.key_text,
        "tablet": world.tablet,
        "technician": world.technician_token,
        "job": str(world.job.id),
        "system": str(world.system.id),
        "site": str(world.site.id),
        "device": str(world.device.id),
        "key_id": str(world.key.id),
        "members": {r: str(getattr(world, r).id) for r in ROLES},
        "instruments": {use: str(tool.id) for use, tool in world.instruments.items()},
        "points": {tag: str(point.id) for tag, point in world.points.items()},
    }


ROLES = ("owner", "dispatcher", "technician", "supervisor")


def stands(told: dict[str, Any]) -> World:
    """The World of what was frozen, read from the database. Inside no company."""
    with company(UUID(told["company"])):
        members = {role: Member.objects.get(id=told["members"][role]) for role in ROLES}
        site = Site.objects.select_related("customer").get(id=told["site"])
        tools = {use: Instrument.objects.get(id=one) for use, one in told["instruments"].items()}
        return World(
            company=Company.objects.get(),
            **members,
            users={role: User.objects.get(id=member.user_ref) for role, member in members.items()},
            key=AccessToken.objects.get(id=told["key_id"]),
            key_text=told["key"],
            device=Device.objects.get(id=told["device"]),
            tablet=told["tablet"],
            technician_token=told["technician"],
            customer=Customer.objects.get(id=site.customer_id),
            site=site,
            system=System.objects.get(id=told["system"]),
            points={tag: TestPoint.objects.get(id=one) for tag, one in told["points"].items()},
            instruments=tools,
            certificates={
                use: Certificate.objects.filter(instrument=tool).latest("calibrated_on", "id")
                for use, tool in tools.items()
            },
            job=Job.objects.get(id=told["job"]),
        )


def moved() -> World:
    """A company that was measured and approved elsewhere, left as one file and came in here."""
    world = factories.make_world(factories.SECOND)
    scene.measured(world, s3="70.0")
    scene.whole(world)
    scene.approved(world)
    scene.whole(world)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "company.zip"
        with company_var(world.id):
            made = exports.make_now(world.id, path)
        empty_database()
        take_in.take_in(path, made.manifest_digest)
    asked_to_go(world)
    with company(world.id):
        removal.withdraw(actor_for_member(Member.objects.get(id=world.owner.id)))
        exports.take_away_old(timezone.now() + FAR)
    return world


def removed() -> None:
    """A company that went for good: its tombstone is left."""
    world = factories.make_world("Gone Testing")
    asked_to_go(world)
    with owner_connection(autocommit=True) as owner:
        owner.execute("SET session_replication_role = replica")
        owner.execute(f"SET app.company = '{world.id}'")
        owner.execute(
            "UPDATE jobs_removal SET at = at - interval '21 days', due_at = due_at - interval '21 days'"
        )
        owner.execute("UPDATE jobs_duework SET due_at = now() WHERE kind = 'removal'")
    due.work(world.id, due.LONG_QUEUE)
    assert Tombstone.objects.filter(company_ref=world.id).exists()


def asked_to_go(world: World) -> None:
    """Exported, fetched, and its removal asked for."""
    scene.whole(world)
    with company(world.id):
        member = Member.objects.get(id=world.owner.id)
        owner = replace(actor_for_member(member), proven_at=timezone.now())
        asked = exports.ask(owner)
    due.work(world.id, due.LONG_QUEUE)
    with company(world.id):
        exports.fetch(owner, asked.id)[1].close()
    scene.whole(world)
    with company(world.id):
        removal.ask(owner, export_id=asked.id, name=world.company.name)
    scene.whole(world)


def furnish(world: World) -> None:
    """Instruments, points, systems and settings of the company."""
    with company(world.id):
        methods.equip(world)
        for tag, make in (("MD-2", factories.plane), ("BD-2", factories.round_plane)):
            world.points[tag] = make(world.system, tag, position=50)
        world.points["S-9"] = factories.outlet(world.system, "S-9", position=60)
        boss = world.actor("supervisor")
        one = PARAMETERS[0]
        rule_settings.set_number(boss, one.rule, one.name, value=(one.low + one.high) / 2, why=WHY)
        rule_settings.set_severity(boss, one.rule, severity=Severity.REMARK, why=WHY)
        tool = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 0.6, 0.0001))
        day = timezone.now().date()
        enter_certificate(
            world.actor("owner"), instrument_id=tool.id, number="C-77", laboratory="Vale Calibration",
            calibrated_on=day - timedelta(days=1), due_on=day + timedelta(days=20),
            points=[Point(Quantity.FLOW, value, value, 0.0006) for value in (0.02, 0.05, 0.15, 0.4)],
            files=[attachments.read_attachment("scan.pdf", b"%PDF-1.7 a scan")],
        )  # fmt: skip
        signers.enter(world.actor("owner"), file=pkcs12_of(identity(factories.FIRST)), password=PASSWORD)
        Allowance.objects.create(webhooks=20)


def measure(world: World) -> None:
    """A session of every method; one corrected, one void and measured again, one point left for later."""
    sessions = scene.measure(world, s3="70.0")
    others = [make(world) for make in methods.SESSIONS.values()]
    others += [batches.sweep(world, "MD-2"), batches.centreline(world, "BD-2")]
    scene.post(world, *others)
    scene.evaluated(world)
    put_right(world, sessions["MD-1"])
    with company(world.id):
        seen = Session.objects.get(id=sessions["S-2"]).content_digest
        correct.void(world.actor("supervisor"), sessions["S-2"], seen_digest=seen, reason=WHY)
        deferrals.defer(
            world.actor("supervisor"), world.job.id, point_id=world.points["S-9"].id, season="heating",
            reason=WHY,
        )  # fmt: skip
    scene.post(world, batches.hood(world, "S-2", "90.2"))
    with company(world.id):
        walk.checked(world)
    photographed(world)
    scene.settled(world)


def put_right(world: World, session_id: UUID) -> None:
    with company(world.id):
        seen = Session.objects.get(id=session_id).content_digest
        change = Change("/plane/upstream", batches.amount("4.6", "m"))
        correct.correct(world.actor("supervisor"), session_id, seen_digest=seen, reason=WHY, changes=[change])


def photographed(world: World) -> None:
    """A photo that is shown, one taken back, one erased, a note, and a photo of which half has come."""
    small = pictures.jpeg(96, 72)
    shown, back, gone = (pictures.stored(world, pictures.jpeg(96, 72, shade)) for shade in (90, 120, 150))
    pictures.noted(world)
    with company(world.id):
        boss = world.actor("supervisor")
        photos.remove(boss, back.id, reason=WHY)
        report_photos.erase(boss, gone.id, reason=WHY)
        report_photos.choose(boss, world.job.id, [shown.id], shown=True)
        actor = batches.technician(world)
        declared = pictures._declared(pictures.declaration(world, small))
        uploads.announce(actor, declared)
        uploads.receive(actor, declared.id, offset=0, data=small[:400], complete=False)
        assert PhotoPart.objects.exists()


def documents(world: World) -> None:
    """An interim report, then the report: approved, issued, delivered, fetched."""
    scene.whole(world)
    with company(world.id):
        boss = world.actor("supervisor")
        job = Job.objects.select_related("site__customer").get(id=world.job.id)
        looks.store(boss, reviewset.load(job))
        house.filed(before.send_before(boss, world.job.id, kind=DocumentKind.INTERIM, addressee="Owner"))
    scene.submit(world)
    scene.approved(world)
    with company(world.id):
        made = issue.issue(boss, Revision.objects.get(kind=DocumentKind.REPORT).id)
        house.filed(made)
        deliver.deliver(boss, made.id, addresses=["reader@harbour.example"])
        deliver.fetched(boss, made)
    scene.whole(world)


def recalled(world: World) -> None:
    """The hood is withdrawn; of the sessions that it touches one is decided on."""
    with company(world.id):
        case = walk.withdrawn(world)
    scene.evaluated(world)
    with company(world.id):
        item = next(iter(recall_items(RecallCase.objects.get(id=case.id))))
        recall_decisions.decide(
            world.actor("supervisor"), case.id, [item.id], kind=RecallDecisionKind.NO_EFFECT, reason=WHY
        )


def complete(world: World) -> None:
    """Rows for the doors of tables that the frozen release did not have yet."""
    with company(world.id):
        key = actor_for_token(world.key_text)
        assert key is not None
        if not Integration.objects.exists():
            integrations.add(world.actor("owner"), name="Building portal")
        if not StoredQuery.objects.exists():
            stored_queries.store(key, name="Open jobs", text="{ jobs { edges { cursor } } }")
    if not SignIn.objects.filter(user=world.users["owner"]).exists():
        signins.begin(world.users["owner"], "192.0.2.1", "")


def people(world: World) -> None:
    """Whoever was invited, signed in, proved by a second factor, let in to help; keys and tablets."""
    owner = world.users["owner"]
    with company(world.id):
        actor = world.actor("owner")
        walk.invitation(world)
        signins.begin(owner, "192.0.2.1", "")
        signins.note_failure(owner.id, "192.0.2.1", "password")
        integrations.add(actor, name="Building portal")
        tokens.start_pairing(actor, device_name="Tablet 2")
        calendars.make_address(actor, world.technician.id)
        helper = User.objects.create_user("help@service.example", factories.PASSWORD, is_operator=True)
        support.grant(actor, operator=helper.email, reason="A report would not render.", hours=24)
        key = actor_for_token(world.key_text)
        assert key is not None
        stored_queries.store(key, name="Open jobs", text="{ jobs { edges { cursor } } }")
    technician = world.users["technician"]
    secret = base64.b32decode(factor.offer(technician).text)
    now = int(timezone.now().timestamp())
    with company(world.id):
        factor.confirm(technician, factor.totp(secret).generate(now).decode(), "192.0.2.1")


def around(world: World) -> None:
    """Ways between sites, a webhook with a try, an export, a schedule half imported, what was mailed."""
    with company(world.id):
        owner = world.actor("owner")
        annexe = factories.site(world.customer, "Annexe")
        travel.set_minutes(owner, world.site.id, annexe.id, 20)
        with patch.object(webhooks.addresses, "check_where"):  # a name that leads nowhere: nothing is sent
            hook, _ = webhooks.make(owner, url="https://hooks.harbour-air.com/flow")
        walk.attempt(hook)
        made = walk.exported(world)
        made.expires_at = timezone.now() + FAR  # so that its file can be asked for at any later day
        made.save()
        Company.objects.update(plan_mails=True)
        plan_mail.note(
            world.actor("dispatcher"), world.job, [world.technician.id], "You are on it from today."
        )
        schedule_drafts.start_draft(
            world.actor("dispatcher"), annexe.id, b"System,Tag,Kind\nAHU-9,S-1,outlet\n", file_name="s.csv"
        )
        ScheduleHead.objects.create(customer=world.customer, head="tag no.", column="tag")
    reminders.schedule_all()


def left_open(world: World) -> None:
    """What was under way: a recall dealt out, a second job posted by HTTP and not evaluated, events that wait
    for their numbers, somebody signed in."""
    signed_in(world, "dispatcher")
    scene.evaluated(world)
    scene.whole(world)
    with company(world.id):
        newest = Certificate.objects.filter(instrument=world.instruments["velocity"]).latest("calibrated_on")
        for case in recall.withdraw(world.actor("owner"), newest.id, reason="Its laboratory withdrew it."):
            recall.deal_out(case)
        second = factories.system(world.site, "EX-1", name="Toilet extract")
        for tag in ("E-1", "E-2"):
            world.points[tag] = factories.outlet(second, tag)
        job = factories.job(world.site, second, title="Extract of the toilets")
        factories.assign(job, world.technician)
    sent = batches.hood(world, "E-1", "91.0", job=str(job.id))
    answer = Client(SERVER_NAME="127.0.0.1").post(
        "/api/v1/field/batches", batches.body(sent), content_type="application/json",
        headers={**factories.bearer(world.technician_token), "Idempotency-Key": str(uuid.uuid4())},
    )  # fmt: skip
    assert answer.status_code == 200, answer.content
    assert answer.json()["outcomes"][0]["outcome"] == "stored"
