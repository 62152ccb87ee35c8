"""A company with something in every kind of evidence, whole under the walk, without a minute of rendering."""

import hashlib
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from django.conf import LazySettings
from django.utils import timezone

from jobs import attachments
from jobs.instruments import Point, enter_certificate
from jobs.models import DueWork, InstrumentKind, Quantity
from jobs.tenancy.context import company
from reports import deliver, issue, photos, sign, signers
from reports.models import Issue, Revision, SignatureLevel
from tests import factories
from tests.factories import World
from tests.measurements import pictures
from tests.reports import scene
from tests.reports.certificates import PASSWORD, identity, pkcs12_of

PDF = b"%PDF-1.7 of a test"


def furnished(settings: LazySettings, name: str = factories.FIRST) -> World:
    """Measured, flagged, photographed, approved, issued, delivered; signed with a key of its own."""
    settings.SIGNING_KEYS = [b"k" * 32]
    world = factories.make_world(name)
    scene.measured(world, s3="70.0")
    shown = pictures.stored(world)
    with company(world.id):
        signers.enter(world.actor("owner"), file=pkcs12_of(identity(name)), password=PASSWORD)
        photos.choose(world.actor("supervisor"), world.job.id, [shown.id], shown=True)
        scanned(world)
    scene.whole(world)
    scene.approved(world)
    with company(world.id):
        made = issue.issue(world.actor("supervisor"), Revision.objects.get().id)
        filed(made)
        deliver.deliver(world.actor("supervisor"), made.id, addresses=["reader@harbour.example"])
        deliver.fetched(world.actor("supervisor"), made)
    scene.whole(world)
    return world


def scanned(world: World) -> None:
    """A certificate of an instrument that nobody used, with its scan."""
    day = timezone.now().date()
    tool = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 0.6, 0.0001))
    enter_certificate(
        world.actor("owner"),
        instrument_id=tool.id,
        number="C-77",
        laboratory="Vale Calibration",
        calibrated_on=day - timedelta(days=1),
        due_on=day + timedelta(days=360),
        points=[Point(Quantity.FLOW, value, value, 0.0006) for value in (0.02, 0.05, 0.15, 0.4)],
        files=[attachments.read_attachment("scan.pdf", b"%PDF-1.7 a scan")],
    )


def filed(made: Issue) -> None:
    """The issue's file, as the render worker stores and tells it."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "report.pdf"
        path.write_bytes(PDF)
        signature = sign.Signature(SignatureLevel.NONE)
        done = issue.Finished(path, 1, hashlib.sha256(PDF).hexdigest(), len(PDF), signature)
        issue._store_file(made, done, issue._keep(made, done))
    DueWork.objects.filter(kind="render").delete()
