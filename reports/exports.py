"""The whole company as a file: asked for by an owner, made by a worker, fetched while it lasts."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import IO, Any
from uuid import UUID

from django.conf import settings
from django.core.files import File
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext_noop

from jobs import due, events
from jobs.access import Action, Actor, require, require_proven
from jobs.errors import Conflict, NotFound
from jobs.models import Company, CompanyExport, DueState, DueWork
from jobs.tenancy.context import company, current_company
from jobs.tenancy.ids import uuid7
from reports.archive import files, write
from reports.scratch import scratch

EXPORT = "export"
KEPT_DAYS = 7
"""Days after which the file of an export is taken away."""


def visible_exports(actor: Actor | None) -> QuerySet[CompanyExport]:
    """For owners."""
    rows = CompanyExport.objects.select_related("asked_by")
    return rows.filter(company_id=require(actor, Action.MANAGE_COMPANY).company_id)


@transaction.atomic
def ask(actor: Actor) -> CompanyExport:
    """Asks for an export of everything; while one is being made, that one. Raises SignInAgain."""
    require_proven(actor, Action.MANAGE_COMPANY)
    Company.objects.select_for_update().get()  # two at once ask for one
    waiting: CompanyExport | None = CompanyExport.objects.filter(finished_at=None).first()
    if waiting is None:
        waiting = CompanyExport.objects.create(asked_by_id=actor.member_id, asked_at=timezone.now())
        events.record(actor, "company.export_asked", "export", waiting.id)
    if not due.retry_parked(EXPORT, waiting.id):
        due.schedule(EXPORT, waiting.id)
    return waiting


@due.handler(EXPORT, queue=due.LONG_QUEUE)
def run(claim: due.Claim) -> None:
    """Makes the file of an export. Killed midway it begins anew; nothing of it is kept before it is whole."""
    with scratch(settings.VAR_ROOT / "scratch") as folder, due.kept(claim):
        path = folder / "company.zip"
        made = write.write(path)
        stored = _keep(claim.subject_id, path)
    try:
        with transaction.atomic():
            claim.hold()
            _finish(claim.subject_id, made, stored)
            claim.finish()
    except BaseException:
        default_storage.delete(stored)
        raise


def make_now(company_id: UUID, path: Path) -> write.Written:
    """Writes an export to a file of this machine, for operators; that is logged too. Raises NotFound."""
    with company(company_id):
        if not Company.objects.exists():
            raise NotFound()
    made = write.write(path)
    with transaction.atomic():
        row = CompanyExport.objects.create(asked_at=timezone.now())
        _finish(row.id, made, "")
    return made


def _folder() -> str:
    return f"exports/{current_company()}"


def _keep(export_id: UUID, path: Path) -> str:
    with path.open("rb") as file:
        name = f"{_folder()}/{export_id}-{uuid7()}.zip"
        return str(default_storage.save(name, File(file)))


def _finish(export_id: UUID, made: write.Written, stored: str) -> None:
    now = timezone.now()
    CompanyExport.objects.filter(id=export_id).update(
        finished_at=now,
        head_number=made.manifest.chain.number,
        manifest_digest=made.manifest_digest,
        size=made.size,
        row_count=made.row_count,
        file_count=made.file_count,
        missing_count=len(made.manifest.lost),
        stored=stored,
        expires_at=now + timedelta(days=KEPT_DAYS) if stored else now,
        removed_at=None if stored else now,
    )
    events.record(
        Actor(company_id=current_company()),
        "company.exported",
        "export",
        export_id,
        data={
            "manifest": made.manifest_digest,
            "head": made.manifest.chain.number,
            "rows": made.row_count,
            "files": made.file_count,
            "lost": len(made.manifest.lost),
            "size": made.size,
        },
    )


@transaction.atomic
def fetch(actor: Actor, export_id: UUID) -> tuple[CompanyExport, IO[Any]]:
    """The file of an export, about to be fetched: that is logged. Raises SignInAgain, NotFound, Conflict."""
    require_proven(actor, Action.MANAGE_COMPANY)
    row = visible_exports(actor).filter(id=export_id).first()
    if row is None:
        raise NotFound()
    if row.finished_at is None:
        raise Conflict("The export is not made yet. Come back when it is.", retry_after=10)
    if row.removed_at is not None or row.expires_at is None or row.expires_at <= timezone.now():
        raise NotFound("The file of this export was taken away; its digest is kept. Ask for a new one.")
    try:
        file = default_storage.open(row.stored)
    except FileNotFoundError:
        raise NotFound("The file of this export is missing from the storage. Ask for a new one.") from None
    events.record(actor, "company.export_fetched", "export", row.id, data={"manifest": row.manifest_digest})
    return row, file


def state_of(row: CompanyExport) -> str:
    """making, failed, ready or gone."""
    if row.finished_at is None:
        work = DueWork.objects.filter(kind=EXPORT, subject_id=row.id, state=DueState.PARKED)
        return gettext_noop("failed") if work.exists() else gettext_noop("making")
    if row.removed_at is not None or row.expires_at is None or row.expires_at <= timezone.now():
        return gettext_noop("gone")
    return gettext_noop("ready")


@transaction.atomic
def take_away_old(before: datetime) -> int:
    """Takes the files of exports that expired before a moment out of the storage. Returns how many.

    A worker that is killed between storing a file and saying so leaves one that no row names: it goes
    when it is a day older.
    """
    rows = CompanyExport.objects.filter(removed_at=None, expires_at__lte=before).exclude(stored="")
    count = 0
    for row in rows.select_for_update(skip_locked=True):
        default_storage.delete(row.stored)
        CompanyExport.objects.filter(id=row.id).update(removed_at=timezone.now())
        count += 1
    for name in _unnamed(before - timedelta(days=1)):
        default_storage.delete(name)
        count += 1
    return count


def _unnamed(before: datetime) -> list[str]:
    found = set(files.lying_in(_folder()))
    found.difference_update(CompanyExport.objects.filter(stored__in=found).values_list("stored", flat=True))
    return [name for name in found if default_storage.get_modified_time(name) < before]
