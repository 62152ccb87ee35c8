"""The removal of a whole company: asked for by an owner, with days to take it back, then done by a worker.

Nothing is removed that was not exported and fetched: the last event that matters must be in the export, when
removal is asked for and again when it begins. The append-only tables give rows up to no one else than the
database's own function `remove_company_rows`, which looks at the request and its moment (migration
0008_removal); its delay stands there too, since whoever may write rows must not be able to shorten it.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.core.files.storage import default_storage
from django.db import connection, transaction
from django.db.models import Model
from django.utils.translation import gettext

from jobs import due, events, mail
from jobs.access import Action, Actor, require, require_proven
from jobs.errors import Conflict, Fault, Invalid, NotFound
from jobs.models import (
    AccessToken,
    Affiliation,
    Company,
    CompanyExport,
    Device,
    DueCompany,
    DueWork,
    Event,
    EventPosition,
    Member,
    Removal,
    RemovalKind,
    Role,
    UnnumberedEvent,
    User,
)
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import uuid7
from reports.archive import files, tables
from reports.exports import EXPORT, visible_exports

REMOVE, MAIL = "removal", "removal-mail"
BATCH, MOST = 5000, 2**31 - 1
DAYS = 14
"""As in the database's trigger `removal_clock`; said on pages."""
NOT_IN_EXPORT = frozenset(
    {
        "company.export_asked",
        "company.exported",
        "company.export_fetched",
        "company.removal_asked",
        "company.removal_withdrawn",
        "person.signed_in",
    }
)
"""What may happen after an export without making it incomplete."""


@dataclass(frozen=True)
class Standing:
    """A removal that was asked for and not withdrawn."""

    request: Removal
    begun: bool

    @property
    def due_at(self) -> datetime:
        assert self.request.due_at is not None  # the trigger sets it
        return self.request.due_at


def standing(actor: Actor) -> Standing | None:
    """The open request, for owners; None when there is none."""
    require(actor, Action.MANAGE_COMPANY)
    return _open()


def _open() -> Standing | None:
    steps = list(Removal.objects.select_related("member", "export").order_by("at", "id"))
    ended = {one.request_id for one in steps if one.kind == RemovalKind.WITHDRAWN}
    begun = {one.request_id for one in steps if one.kind == RemovalKind.BEGUN}
    for one in steps:
        if one.kind == RemovalKind.ASKED and one.id not in ended:
            return Standing(one, one.id in begun)
    return None


def usable(actor: Actor) -> CompanyExport | None:
    """The newest export that holds everything and was fetched."""
    for one in visible_exports(actor).exclude(finished_at=None).order_by("-id")[:5]:
        if not _lacks(one):
            return one
    return None


def _lacks(export: CompanyExport | None) -> str:
    """Why an export is not enough, in words; empty when it is."""
    if export is None or export.finished_at is None:
        return gettext("it is not made yet")
    later = EventPosition.objects.filter(number__gt=export.head_number).exclude(event__verb__in=NOT_IN_EXPORT)
    if later.exists() or _waiting():
        return gettext("something happened in the company since it was made")
    fetched = EventPosition.objects.filter(
        event__subject_id=export.id, event__verb="company.export_fetched", number__gt=export.head_number
    )
    return "" if fetched.exists() else gettext("nobody fetched its file")


def _waiting() -> bool:
    """Whether an event that matters has no number yet."""
    ids = UnnumberedEvent.objects.values("id")
    return bool(Event.objects.filter(id__in=ids).exclude(verb__in=NOT_IN_EXPORT).exists())


@transaction.atomic
def ask(actor: Actor, *, export_id: UUID, name: str) -> Standing:
    """Asks for the removal of the whole company in 14 days; `name` is its name, typed by the owner.

    Raises SignInAgain, Invalid for another name or an unknown export, Conflict when it was asked for already
    or the export does not hold everything.
    """
    require_proven(actor, Action.MANAGE_COMPANY)
    house: Company = Company.objects.select_for_update().get()
    if actor.member_id is None:
        raise NotFound()
    export = visible_exports(actor).filter(id=export_id).first()
    if export is None:
        words = gettext("There is no such export.")
        raise Invalid(words, [Fault("/export", words)])
    if name.strip() != house.name:
        words = gettext("This is not the company's name.")
        raise Invalid(words, [Fault("/name", words)])
    if _open() is not None:
        raise Conflict(gettext("The removal was asked for already."))
    if lack := _lacks(export):
        words = gettext("This export is not enough: %(why)s. Export everything, fetch the file, ask again.")
        raise Conflict(words % {"why": lack})
    row: Removal = Removal.objects.create(kind=RemovalKind.ASKED, export=export, member_id=actor.member_id)
    row.refresh_from_db()
    found = Standing(row, False)
    data = {"export": str(export.id), "manifest": export.manifest_digest, "due": events.stamp(found.due_at)}
    events.record(actor, "company.removal_asked", "company", house.id, data=data)
    due.schedule_later(REMOVE, row.id, timedelta(days=DAYS))
    mail.post(MAIL, row.id)
    return found


@transaction.atomic
def withdraw(actor: Actor) -> None:
    """Takes the request back. Raises NotFound when there is none, Conflict when rows are being removed."""
    require(actor, Action.MANAGE_COMPANY)
    Company.objects.select_for_update().get()
    found = _open()
    if found is None:
        raise NotFound(gettext("No removal was asked for."))
    if found.begun:
        raise Conflict(gettext("The removal has begun and cannot be taken back."))
    _withdraw(actor, found.request, "")


def _withdraw(actor: Actor, request: Removal, why: str) -> None:
    Removal.objects.create(kind=RemovalKind.WITHDRAWN, request=request, member_id=actor.member_id)
    data = {"why": why} if why else {}
    events.record(actor, "company.removal_withdrawn", "company", current_company(), data=data)
    mail.post(MAIL, request.id)


@due.handler(MAIL)
def tell(claim: due.Claim) -> None:
    """Tells every owner how the removal stands."""
    with transaction.atomic():
        house, found = Company.objects.get(), _open()
        owners = Member.objects.filter(active=True, roles__contains=[Role.OWNER]).exclude(email="")
        words = {"company": house, "open": found}
        subject = gettext("Removal of %(company)s") % {"company": house.name}
        for owner in owners:
            mail.send(owner.email, subject, "reports/mail/removal", words)
        claim.finish()


# The removal itself


@due.handler(REMOVE, queue=due.LONG_QUEUE)
def run(claim: due.Claim) -> None:
    """Removes everything of the company in batches. Killed midway it goes on where it was."""
    with due.kept(claim):
        if not _begun(claim):
            return
        _remove_files()
        count = sum(_remove_rows(model._meta.db_table) for model in _doomed())
        _end(claim, count)


def _begun(claim: due.Claim) -> bool:
    """Shuts everybody out, once; false when the request was taken back or does not hold any more."""
    with transaction.atomic():
        claim.hold()
        Company.objects.select_for_update().get()
        found = _open()
        if found is None or found.request.id != claim.subject_id:
            claim.finish()
            return False
        if found.begun:
            return True
        nobody = Actor(company_id=current_company())
        if (lack := _lacks(found.request.export)) or DueWork.objects.filter(kind=EXPORT).exists():
            _withdraw(nobody, found.request, lack or "an export is being made")
            claim.finish()
            return False
        Removal.objects.create(kind=RemovalKind.BEGUN, request=found.request)
        events.record(nobody, "company.removal_begun", "company", current_company())
        Member.objects.update(active=False)
        AccessToken.objects.filter(revoked_at=None).update(revoked_at=found.due_at)
        Device.objects.filter(revoked_at=None).update(revoked_at=found.due_at)
        Affiliation.objects.filter(company_ref=current_company()).delete()
        return True


def _remove_files() -> None:
    with transaction.atomic():
        names = {one.name for one in files.kept()}
        names.update(CompanyExport.objects.exclude(stored="").values_list("stored", flat=True))
    for name in names.union(files.lying(current_company())):
        default_storage.delete(name)


def _doomed() -> list[type[Model]]:
    """Every table of companies but those of the last step: each before those it points at."""
    last: set[type[Model]] = {Company, CompanyExport, DueWork, Member, Removal}
    return [model for model in reversed(tables.ordered(tables.every_model())) if model not in last]


def _remove_rows(table: str) -> int:
    total, removed = 0, 1
    while removed:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SELECT remove_company_rows(%s, %s, %s)", [current_company(), table, BATCH])
            removed = int(cursor.fetchone()[0])
        total += removed
    return total


def _end(claim: due.Claim, count: int) -> None:
    """The last step, in one transaction: people, the company's own row, the tombstone."""
    company_id = current_company()
    with transaction.atomic(), connection.cursor() as cursor:
        claim.hold()
        users = list(Member.objects.values_list("user_ref", flat=True))
        cursor.execute("SELECT remove_company_rows(%s, %s, %s)", [company_id, "jobs_duework", MOST])
        cursor.execute("SELECT remove_company(%s, %s, %s)", [company_id, uuid7(), count])
        User.objects.filter(id__in=users, affiliations=None, is_operator=False).delete()
        DueCompany.objects.filter(company_ref=company_id).delete()
