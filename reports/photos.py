"""Photos and notes in documents: which a supervisor chose, their prints, and what is erased from them."""

import hashlib
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Exists, OuterRef, Prefetch
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, Fault, Invalid, NotFound
from jobs.models import DueState, DueWork, Job
from jobs.rows import NOTHING
from jobs.tenancy.context import current_company
from measurements import photos
from measurements.models import Photo, PhotoChange, PhotoChangeKind, PhotoKind
from measurements.photos import Standing, standing, visible_photos
from reports import document as doc
from reports import queries
from reports.models import Issue, PhotoChoice
from reports.prints import Print, print_of

MOST_AT_ONCE = 60
LONGEST_REASON = 2000
ERASE = "erase_prints"
RENDER = "render"


@dataclass(frozen=True)
class Chosen:
    """A photo or note of a job with the choice that counts, if one was made."""

    standing: Standing
    choice: PhotoChoice | None = None

    @property
    def photo(self) -> Photo:
        return self.standing.photo

    @property
    def shown(self) -> bool:
        """Whether it stands in documents: it was chosen and is neither removed nor erased since."""
        return bool(self.choice and self.choice.shown) and self.standing.state == "stored"

    @property
    def bound(self) -> list[str]:
        """What an approval binds of it: the photo, the choice, and what was changed last."""
        changes = self.standing.changes
        return [
            str(self.photo.id),
            str(self.choice.id) if self.choice else "",
            str(changes[-1].id) if changes else "",
        ]


def of_job(job_id: UUID) -> list[Chosen]:
    """Every photo and note of a job of the current company, in the order they were taken.

    Three statements.
    """
    changes = PhotoChange.objects.select_related("member", "test_point__system").order_by("at", "id")
    choices = PhotoChoice.objects.select_related("member").order_by("at", "id")
    rows = Photo.objects.filter(job=job_id).select_related("test_point__system", "member", "device")
    rows = rows.prefetch_related(Prefetch("changes", changes), Prefetch("choices", choices))
    return [_chosen(row) for row in rows.order_by("taken_at", "id")]


def _chosen(row: Photo) -> Chosen:
    choices = list(row.choices.all())  # type: ignore[attr-defined]
    return Chosen(standing(row), choices[-1] if choices else None)


def choose(
    actor: Actor, job_id: UUID, wanted: Collection[UUID], *, shown: bool, reason: str = ""
) -> list[PhotoChoice]:
    """Puts photos and notes of a job into its documents, or leaves them out; rows that were added.

    Raises NotFound, Invalid, Conflict (removed or erased).
    """
    require(actor, Action.REVIEW)
    if not queries.visible_jobs(actor).filter(id=job_id).exists():
        raise NotFound()
    ids = set(wanted)
    _check_wanted(ids, reason)
    rows = list(visible_photos(actor).filter(job=job_id, id__in=ids))
    if len(rows) != len(ids):
        raise Invalid(gettext("An id in the input leads to nothing."), [Fault("/photos", NOTHING)])
    prints = {row.id: _print(row) for row in rows if shown and row.stored}  # before anything is locked
    return _choose(actor, job_id, ids, prints, shown, reason.strip())


def _check_wanted(ids: Collection[UUID], reason: str) -> None:
    if not 1 <= len(ids) <= MOST_AT_ONCE:
        raise Invalid(
            gettext("Choose photos first."),
            [Fault("/photos", gettext("must be 1 to %(most_at_once)s ids") % {"most_at_once": MOST_AT_ONCE})],
        )
    if len(reason) > LONGEST_REASON:
        told = f"must have at most {LONGEST_REASON} characters"
        raise Invalid(gettext("The reason is too long."), [Fault("/reason", told)])


def _print(row: Photo) -> Print | None:
    """None where there is no file by now; choosing it says why."""
    if standing(row).erased:
        return None
    with photos.opened(row) as file:
        return print_of(file)


@transaction.atomic
def _choose(
    actor: Actor,
    job_id: UUID,
    ids: Collection[UUID],
    prints: dict[UUID, Print | None],
    shown: bool,
    reason: str,
) -> list[PhotoChoice]:
    _locked(actor, job_id)
    found = [one for one in of_job(job_id) if one.photo.id in ids]
    made = []
    for one in found:
        if shown and one.standing.state != "stored":
            raise Conflict(
                gettext("One of these was %(state)s; it goes into no document.")
                % {"state": one.standing.state}
            )
        if (one.choice is not None and one.choice.shown) != shown:
            made.append(_add(actor, one.photo, shown, prints.get(one.photo.id), reason))
    return made


def _locked(actor: Actor, job_id: UUID) -> Job:
    """The job, locked against an approval at the same time."""
    return queries.visible_jobs(actor).select_for_update(of=("self",)).get(id=job_id)


def _add(actor: Actor, photo: Photo, shown: bool, made: Print | None, reason: str) -> PhotoChoice:
    row: PhotoChoice = PhotoChoice.objects.create(
        photo=photo,
        shown=shown,
        print_digest=made.digest if made else "",
        print_size=len(made.data) if made else 0,
        print_width=made.width if made else 0,
        print_height=made.height if made else 0,
        member_id=actor.member_id,
        at=timezone.now(),
        reason=reason,
    )
    events.record(
        actor,
        "photo.chosen",
        "photo",
        photo.id,
        data={"choice": str(row.id), "shown": shown, "job": str(photo.job_id)},
        content_digest=events.row_digest(row),
    )
    if made:
        _store(print_name(photo.id, made.digest), made.digest, made.data)
    return row


def print_name(photo_id: UUID, digest: str) -> str:
    """Where a print lies in the storage."""
    return f"photos/{current_company()}/{photo_id}-print-{digest}.jpg"


def _store(name: str, digest: str, data: bytes) -> None:
    """What a killed attempt left there half is written over."""
    if not _is_whole(name, digest):
        default_storage.delete(name)
        default_storage.save(name, ContentFile(data))


def prints_altered(choices: Sequence[PhotoChoice]) -> dict[UUID, str]:
    """Choices whose print no longer lies in the storage as it was made, unless its photo was erased."""
    named = [one for one in choices if one.print_digest]
    ids = {one.photo_id for one in named}
    rows = PhotoChange.objects.filter(photo__in=ids, kind=PhotoChangeKind.ERASED)
    erased = set(rows.values_list("photo", flat=True))
    found = {}
    for one in named:
        name = print_name(one.photo_id, one.print_digest)
        if one.photo_id not in erased and not _is_whole(name, one.print_digest):
            found[one.id] = "its print is missing from the storage or was altered"
    return found


def _is_whole(name: str, digest: str) -> bool:
    if not default_storage.exists(name):
        return False
    with default_storage.open(name) as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == digest


# In documents


def shown_at(found: Iterable[Chosen], point: UUID | None) -> Iterator[Chosen]:
    """Those that stand in documents at a test point; None: of the whole job."""
    for one in found:
        here = one.standing.test_point
        if one.shown and (here.id if here else None) == point:
            yield one


def pictures_of(document: doc.Document) -> dict[str, bytes]:
    """Prints of a document by their SHA-256. Raises NotFound when one is erased or lost."""
    found = {}
    for one in doc.photos_of(document):
        if one.printed:
            name = print_name(UUID(one.id), one.printed)
            if not _is_whole(name, one.printed):
                raise NotFound(
                    gettext("The print of a photo at %(value)s is gone; approve again.")
                    % {"value": one.tag or "the job"}
                )
            with default_storage.open(name) as file:
                found[one.printed] = file.read()
    return found


def check_printable(document: doc.Document) -> None:
    """Raises Conflict when a photo of a frozen document was erased since."""
    ids = {UUID(one.id) for one in doc.photos_of(document) if one.kind == PhotoKind.PHOTO}
    gone = PhotoChange.objects.filter(photo__in=ids, kind=PhotoChangeKind.ERASED).first()
    if gone is not None:
        raise Conflict(
            gettext(
                "A photo of this revision was erased since it was approved; approve the job again without it."
            )
        )


# Erasing


@transaction.atomic
def erase(actor: Actor, photo_id: UUID, *, reason: str) -> PhotoChange:
    """Erases the file of a photo and its prints for good; rows, digests and the reason stay.

    Documents that were issued with it keep it: they are in others' hands. Raises NotFound, Forbidden,
    Invalid, Conflict (a document with it is being made at this moment).
    """
    require(actor, Action.REVIEW)
    photo = visible_photos(actor).filter(id=photo_id).first()
    if photo is None:
        raise NotFound()
    _locked(actor, photo.job_id)
    work = DueWork.objects.filter(kind=RENDER, subject_id=OuterRef("id")).exclude(state=DueState.PARKED)
    if Issue.objects.filter(Exists(work), revision__job=photo.job_id).exists():
        raise Conflict(
            gettext("A document of the job is being made at this moment; erase the photo after that.")
        )
    made = photos.erase(actor, photo_id, reason=reason)
    due.schedule(ERASE, photo_id)
    return made


@due.handler(ERASE)
def erase_prints(claim: due.Claim) -> None:
    """Takes the prints of an erased photo out of the storage."""
    with transaction.atomic():
        claim.hold()
        if PhotoChange.objects.filter(photo=claim.subject_id, kind=PhotoChangeKind.ERASED).exists():
            rows = PhotoChoice.objects.filter(photo=claim.subject_id).exclude(print_digest="")
            for digest in rows.values_list("print_digest", flat=True):
                default_storage.delete(print_name(claim.subject_id, digest))
        claim.finish()
