"""Photos and notes as they stand: what they show and where, and what was corrected, removed or erased.

What was sent never changes. Each change is a row of its own with who, when and why. A file that shows what
must not be kept is erased, while its row, its digest and the reason stay.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO, Any
from uuid import UUID

from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Prefetch, QuerySet
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events
from jobs.access import Action, Actor, may, require
from jobs.errors import Conflict, Fault, Forbidden, Invalid, NotFound
from jobs.models import DueWork, Job, TestPoint
from jobs.queries import visible
from jobs.reasons import reason_of
from measurements.models import Photo, PhotoChange, PhotoChangeKind, PhotoKind, PhotoSubject

LONGEST_TEXT = 2000
ERASE = "erase_photo"


def points_of(job_id: UUID) -> QuerySet[TestPoint]:
    """Test points of a job's systems."""
    return TestPoint.objects.filter(system__job_systems__job=job_id)


@dataclass(frozen=True)
class Standing:
    """A photo or note as it stands after what was corrected, removed or erased."""

    photo: Photo
    changes: tuple[PhotoChange, ...] = ()

    @property
    def _corrected(self) -> PhotoChange | None:
        rows = [one for one in self.changes if one.kind == PhotoChangeKind.CORRECTED]
        return rows[-1] if rows else None

    @property
    def text(self) -> str:
        return str((self._corrected or self.photo).text)

    @property
    def subject(self) -> str:
        return str((self._corrected or self.photo).subject)

    @property
    def test_point(self) -> TestPoint | None:
        found: TestPoint | None = (self._corrected or self.photo).test_point
        return found

    @property
    def session_id(self) -> UUID | None:
        """The session it was taken with; none once it was moved to another point."""
        moved = self._corrected is not None and self._corrected.test_point_id != self.photo.test_point_id
        return None if moved else self.photo.session_id

    @property
    def erased(self) -> PhotoChange | None:
        return next((one for one in self.changes if one.kind == PhotoChangeKind.ERASED), None)

    @property
    def removed(self) -> PhotoChange | None:
        """What took it out, if it is out."""
        rows = [one for one in self.changes if one.kind in _IN_OR_OUT]
        last = rows[-1] if rows else None
        return last if last is not None and last.kind == PhotoChangeKind.REMOVED else None

    @property
    def state(self) -> str:
        """stored, removed or erased."""
        if self.erased:
            return "erased"
        return "removed" if self.removed else "stored"

    @property
    def has_file(self) -> bool:
        return bool(self.photo.stored) and self.erased is None

    @property
    def word(self) -> str:
        """E.g. "Damper mark", or "Note"."""
        if self.photo.kind == PhotoKind.NOTE and self.subject == PhotoSubject.PLAIN:
            return str(PhotoKind.NOTE.label)
        return str(PhotoSubject(self.subject).label)


_IN_OR_OUT = (PhotoChangeKind.REMOVED, PhotoChangeKind.RESTORED)


def visible_photos(actor: Actor | None) -> QuerySet[Photo]:
    """Photos and notes with place, who took them and what became of them (`changes`, oldest first)."""
    changes = PhotoChange.objects.select_related("member", "test_point__system").order_by("at", "id")
    rows = Photo.objects.select_related("job", "test_point__system", "member", "device")
    return visible(rows.prefetch_related(Prefetch("changes", changes)), actor)


def standing(photo: Photo) -> Standing:
    """Of a row of `visible_photos`."""
    return Standing(photo, tuple(photo.changes.all()))


def opened(photo: Photo) -> IO[Any]:
    """The stored file. Raises NotFound when the storage lost it."""
    try:
        return default_storage.open(photo.stored)
    except FileNotFoundError:
        raise NotFound(
            gettext("The file is missing from the storage; its digest is kept. Restore it.")
        ) from None


def photos_altered(photos: Sequence[Photo]) -> dict[UUID, str]:
    """Photos whose file no longer lies in the storage as it was sent, unless it was erased with a reason."""
    ids = [one.id for one in photos]
    erased = set(
        PhotoChange.objects.filter(photo__in=ids, kind=PhotoChangeKind.ERASED).values_list("photo", flat=True)
    )
    waiting = set(
        DueWork.objects.filter(kind=ERASE, subject_id__in=erased).values_list("subject_id", flat=True)
    )
    found = {}
    for one in photos:
        if one.stored and (what := _fault(one.stored, one.digest, one.id in erased, one.id in waiting)):
            found[one.id] = what
    return found


def _fault(name: str, digest: str, erased: bool, waiting: bool) -> str:
    if not default_storage.exists(name):
        return "" if erased else "its file is missing from the storage"
    if erased:
        return "" if waiting else "its file was erased and lies in the storage again"
    with default_storage.open(name) as file:
        whole = hashlib.file_digest(file, "sha256").hexdigest() == digest
    return "" if whole else "its file in the storage was altered"


# What becomes of it afterwards


@transaction.atomic
def correct(
    actor: Actor, photo_id: UUID, *, reason: str, text: str, subject: str, test_point: UUID | None
) -> PhotoChange:
    """Says anew what a photo shows, or what a note says, and where. The file stays as it is.

    By who took it, or a supervisor. Raises NotFound, Forbidden, Invalid, Conflict.
    """
    found, why = _changed(actor, photo_id, reason)
    faults = []
    if len(text) > LONGEST_TEXT:
        faults.append(
            Fault(
                "/text",
                gettext("must have at most %(longest_text)s characters") % {"longest_text": LONGEST_TEXT},
            )
        )
    if found.photo.kind == PhotoKind.NOTE and not text.strip():
        faults.append(Fault("/text", gettext("is empty; a note is its text")))
    if subject not in PhotoSubject.values:
        faults.append(
            Fault(
                "/subject", gettext("must be one of %(values)s") % {"values": ", ".join(PhotoSubject.values)}
            )
        )
    if test_point and not points_of(found.photo.job_id).filter(id=test_point).exists():
        faults.append(Fault("/test_point", gettext("There is nothing by that id on this job.")))
    if faults:
        raise Invalid(gettext("The correction is not valid; see 'errors'."), faults)
    here = found.test_point.id if found.test_point else None
    if (text, subject, test_point) == (found.text, found.subject, here):
        raise Invalid(
            gettext("Nothing is corrected: it says the same already."),
            [Fault("/text", gettext("is as it was"))],
        )
    return _add(
        actor, found, PhotoChangeKind.CORRECTED, why, text=text, subject=subject, test_point_id=test_point
    )


@transaction.atomic
def remove(actor: Actor, photo_id: UUID, *, reason: str) -> PhotoChange:
    """Takes a photo or note out: it stays to be seen with the reason, and goes into no report.

    By who took it, or a supervisor. Raises NotFound, Forbidden, Invalid, Conflict.
    """
    found, why = _changed(actor, photo_id, reason)
    if found.removed:
        raise Conflict(gettext("It is removed already: %(reason)s") % {"reason": found.removed.reason})
    return _add(actor, found, PhotoChangeKind.REMOVED, why)


@transaction.atomic
def restore(actor: Actor, photo_id: UUID, *, reason: str) -> PhotoChange:
    """Takes a removed photo or note back in. Raises NotFound, Forbidden, Invalid, Conflict."""
    found, why = _changed(actor, photo_id, reason)
    if not found.removed:
        raise Conflict(gettext("It is not removed."))
    return _add(actor, found, PhotoChangeKind.RESTORED, why)


@transaction.atomic
def erase(actor: Actor, photo_id: UUID, *, reason: str) -> PhotoChange:
    """Erases the file of a photo for good; its row, digest and the reason stay.

    For what must not be kept, such as faces. A supervisor's. The file goes when this is committed.
    Raises NotFound, Forbidden, Invalid, Conflict.
    """
    require(actor, Action.REVIEW)
    found, why = _changed(actor, photo_id, reason)
    if not found.photo.stored:
        raise Conflict(gettext("A note has no file; remove it."))
    made = _add(actor, found, PhotoChangeKind.ERASED, why)
    due.schedule(ERASE, found.photo.id)
    return made


def _changed(actor: Actor, photo_id: UUID, reason: str) -> tuple[Standing, str]:
    """The photo that somebody is about to change, its job locked against an approval, and the reason."""
    require(actor, Action.MEASURE)
    photo = visible_photos(actor).filter(id=photo_id).first()
    if photo is None:
        raise NotFound()
    if photo.member_id != actor.member_id and not may(actor, Action.REVIEW):
        raise Forbidden(gettext("Somebody else took this; they or a supervisor may change it."))
    why = reason_of(reason)
    visible(Job.objects.select_for_update(of=("self",)), actor).get(id=photo.job_id)
    found = standing(visible_photos(actor).get(id=photo_id))
    if found.erased:
        raise Conflict(gettext("Its file was erased: %(reason)s") % {"reason": found.erased.reason})
    return found, why


def _add(actor: Actor, found: Standing, kind: PhotoChangeKind, reason: str, **columns: Any) -> PhotoChange:
    made: PhotoChange = PhotoChange.objects.create(
        photo=found.photo, kind=kind, member_id=actor.member_id, at=timezone.now(), reason=reason, **columns
    )
    events.record(
        actor,
        "photo.changed",
        "photo",
        found.photo.id,
        data={"change": str(made.id), "kind": kind.value, "job": str(found.photo.job_id)},
        content_digest=events.row_digest(made),
    )
    return made


@due.handler(ERASE)
def erase_file(claim: due.Claim) -> None:
    """Takes the file of an erased photo out of the storage."""
    with transaction.atomic():
        claim.hold()
        photo = Photo.objects.get(id=claim.subject_id)
        if PhotoChange.objects.filter(photo=photo, kind=PhotoChangeKind.ERASED).exists():
            default_storage.delete(photo.stored)
        claim.finish()
