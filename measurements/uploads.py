"""Photos and notes from tablets: announced, sent in parts, looked at, kept.

An upload is resumable and harmless to repeat: a photo has the tablet's id, its size and its SHA-256 from the
first moment, parts say where they begin, and what is stored is the file that was announced or nothing.
Unfinished uploads lie in tables of their own until they are whole or forgotten.
"""

import hashlib
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Sum
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop

from jobs import events, quotas
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, DomainError, Fault, Forbidden, Invalid, NotFound, TooLarge, TooMany
from jobs.models import Job
from jobs.queries import visible
from jobs.rows import NOTHING
from jobs.tenancy.context import current_company
from measurements.models import (
    Photo,
    PhotoKind,
    PhotoPart,
    PhotoSubject,
    PhotoType,
    PhotoUpload,
    Session,
)
from measurements.photo_files import ENDINGS, MOST_BYTES, check_photo
from measurements.photos import LONGEST_TEXT, points_of

GOOD_FOR = timedelta(days=7)
MOST_OPEN = 100
"""Unfinished uploads of one person."""
YEARS = range(2000, 2100)


@dataclass(frozen=True)
class Declared:
    """What a tablet says of a photo or note before its content; `digest` is the file's SHA-256, hex."""

    id: UUID
    job: UUID
    test_point: UUID | None
    session: UUID | None
    kind: PhotoKind
    subject: PhotoSubject
    text: str
    taken_at: datetime
    type: str = ""
    size: int = 0
    digest: str = ""


@dataclass(frozen=True)
class Upload:
    """Where a photo stands: how much has arrived, and the photo itself when it is whole."""

    id: UUID
    size: int
    offset: int
    expires_at: datetime | None = None
    photo: Photo | None = None

    @property
    def complete(self) -> bool:
        return self.photo is not None


class WrongOffset(Conflict):
    """A part begins elsewhere than the upload ends."""

    code = "mismatching-upload-offset"
    title = gettext_noop("The part does not begin where the upload ends")

    def __init__(self, expected: int, detail: str = "") -> None:
        super().__init__(detail or f"The upload stands at byte {expected}; go on from there.")
        self.expected = expected


class OtherContent(Conflict):
    """The id is taken by something else."""

    code = "known-with-other-content"
    title = gettext_noop("This id is known with other content")


# Announcing


@transaction.atomic
def announce(actor: Actor, declared: Declared) -> Upload:
    """Opens the upload of a photo, or stores a note. The same again tells how far it is.

    Raises Invalid, OtherContent (the id is known with other content), TooLarge, TooMany.
    """
    require(actor, Action.MEASURE)
    if actor.member_id is None:
        raise Forbidden(gettext("Photos come from a person: sign in on the tablet first."))
    _check_declared(declared)
    if (known := _known(actor, declared.id)) is not None:
        return _same(known, declared)
    _check_places(actor, declared)
    if declared.kind == PhotoKind.NOTE:
        row = _keep(actor, declared, _head(actor, declared))
        return _whole(row)
    _forget_late()
    if PhotoUpload.objects.filter(member=actor.member_id).count() >= MOST_OPEN:
        raise TooMany(
            gettext("%(most_open)s photos of yours are on their way; let some arrive first.")
            % {"most_open": MOST_OPEN},
            retry_after=60,
        )
    quotas.require_room(quotas.Kind.STORED_BYTES, declared.size)
    now = timezone.now()
    upload = PhotoUpload(
        id=declared.id, announced_at=now, expires_at=now + GOOD_FOR, **_head(actor, declared)
    )
    PhotoUpload.objects.bulk_create([upload], ignore_conflicts=True)
    found = _known(actor, declared.id)  # another request may have been first
    assert found is not None
    return _same(found, declared)


def _check_declared(one: Declared) -> None:
    faults = []
    if one.id.version != 7:
        faults.append(Fault("/id", gettext("must be a UUID of version 7, made by the tablet")))
    if len(one.text) > LONGEST_TEXT:
        faults.append(
            Fault(
                "/text",
                gettext("must have at most %(longest_text)s characters") % {"longest_text": LONGEST_TEXT},
            )
        )
    if one.taken_at.year not in YEARS:
        faults.append(
            Fault(
                "/taken_at",
                gettext("The year %(year)s cannot be; set the tablet's clock.") % {"year": one.taken_at.year},
            )
        )
    if one.kind == PhotoKind.NOTE:
        if not one.text.strip():
            faults.append(Fault("/text", gettext("is empty; a note is its text")))
        if one.type or one.size or one.digest:
            faults.append(Fault("/type", gettext("a note has no file: leave out type, size and digest")))
    else:
        faults += _file_faults(one)
    if faults:
        raise Invalid(gettext("The photo or note is not described rightly; see 'errors'."), faults)
    if one.size > MOST_BYTES:
        raise TooLarge(
            gettext("The file has %(size)s bytes; at most %(most_bytes)s are taken. Make it smaller.")
            % {"size": one.size, "most_bytes": MOST_BYTES}
        )


def _file_faults(one: Declared) -> list[Fault]:
    faults = []
    if one.type not in PhotoType.values:
        faults.append(
            Fault("/type", gettext("must be one of %(values)s") % {"values": ", ".join(PhotoType.values)})
        )
    if one.size < 1:
        faults.append(Fault("/size", gettext("must say how many bytes the file has")))
    if len(one.digest) != 64 or set(one.digest) - set("0123456789abcdef"):
        faults.append(
            Fault("/digest", gettext("must be the file's SHA-256, 64 hexadecimal digits in lower case"))
        )
    return faults


def _check_places(actor: Actor, one: Declared) -> None:
    """Raises Invalid, alike for unknown ids and other companies'."""
    faults = []
    if not visible(Job.objects.all(), actor).filter(id=one.job).exists():
        faults.append(Fault("/job", NOTHING))
    elif one.test_point and not points_of(one.job).filter(id=one.test_point).exists():
        faults.append(Fault("/test_point", gettext("There is nothing by that id on this job.")))
    if one.session and not _is_session(one):
        faults.append(
            Fault("/session", gettext("There is no session by that id at this point yet; send it first."))
        )
    if faults:
        raise Invalid(gettext("An id in the input leads to nothing."), faults)


def _is_session(one: Declared) -> bool:
    found = Session.objects.filter(id=one.session, job=one.job)
    return bool(found.filter(test_point=one.test_point).exists() if one.test_point else found.exists())


@quotas.stores(quotas.Kind.STORED_BYTES)
def _photographed() -> int:
    """Bytes of the company's photos, with those that were announced."""
    kept = Photo.objects.aggregate(sum=Sum("size"))["sum"] or 0
    return int(kept + (PhotoUpload.objects.aggregate(sum=Sum("size"))["sum"] or 0))


def _head(actor: Actor, one: Declared) -> dict[str, Any]:
    """Columns that an upload and the photo share."""
    return {
        "kind": one.kind,
        "subject": one.subject,
        "text": one.text,
        "taken_at": one.taken_at,
        "type": one.type,
        "size": one.size,
        "digest": one.digest,
        "job_id": one.job,
        "test_point_id": one.test_point,
        "session_id": one.session,
        "member_id": actor.member_id,
        "device_id": actor.device_id,
    }


def _known(actor: Actor, photo_id: UUID) -> Photo | PhotoUpload | None:
    """The photo, or its upload locked against other parts."""
    photo: Photo | None = visible(Photo.objects.all(), actor).filter(id=photo_id).first()
    if photo is not None:
        return photo
    upload = visible(PhotoUpload.objects.select_for_update(), actor).filter(id=photo_id).first()
    # One that waited for the lock may find that the photo is whole by now.
    return upload or visible(Photo.objects.all(), actor).filter(id=photo_id).first()


def _same(known: Photo | PhotoUpload, declared: Declared) -> Upload:
    """Where it stands, if it is what was declared. Raises OtherContent."""
    if _declared(known) != declared:
        raise OtherContent(
            gettext(
                "This id is known with other content. Nothing was changed; a supervisor should look at both."
            )
        )
    return _state(known)


def _declared(row: Photo | PhotoUpload) -> Declared:
    names = {"job": "job_id", "test_point": "test_point_id", "session": "session_id"}
    return Declared(**{one.name: getattr(row, names.get(one.name, one.name)) for one in fields(Declared)})


def _state(known: Photo | PhotoUpload) -> Upload:
    if isinstance(known, Photo):
        return _whole(known)
    return Upload(known.id, known.size, known.offset, known.expires_at)


def _whole(photo: Photo) -> Upload:
    return Upload(photo.id, photo.size, photo.size, photo=photo)


def _forget_late() -> None:
    """Drops uploads of the company that nobody finished in time."""
    late = PhotoUpload.objects.filter(expires_at__lt=timezone.now()).select_for_update(skip_locked=True)
    ids = list(late.values_list("id", flat=True)[:200])
    if ids:
        PhotoPart.objects.filter(upload__in=ids).delete()
        PhotoUpload.objects.filter(id__in=ids).delete()


# Receiving


@transaction.atomic
def upload_of(actor: Actor, photo_id: UUID) -> Upload:
    """How far an upload is. Raises NotFound."""
    require(actor, Action.MEASURE)
    known = _known(actor, photo_id)
    if known is None:
        raise NotFound(gettext("There is no such upload; announce the photo."))
    return _state(known)


@dataclass(frozen=True)
class Received:
    """Where the upload stands after a part; `refusal`: why the file that is whole now is not kept."""

    upload: Upload
    refusal: DomainError | None = None


@transaction.atomic
def receive(actor: Actor, photo_id: UUID, *, offset: int, data: bytes, complete: bool) -> Received:
    """Adds a part to an upload; the last one makes the photo, after its file was looked at.

    `complete`: the part is the last one. A part that is here already is harmless. A file that is whole but
    refused is forgotten, which is stored: so the refusal is told, not raised. Raises NotFound, WrongOffset,
    Invalid.
    """
    require(actor, Action.MEASURE)
    known = _known(actor, photo_id)
    if known is None:
        raise NotFound(gettext("There is no such upload; announce the photo."))
    if isinstance(known, Photo):
        return Received(_again(known, offset, data))
    end = offset + len(data)
    if offset != known.offset:
        if end <= known.offset and _content(known)[offset:end] == data:
            return Received(_state(known))
        raise WrongOffset(known.offset)
    if end > known.size or complete != (end == known.size):
        told = f"The part ends at byte {end} of {known.size}"
        raise Invalid(
            gettext("%(told)s, which does not agree.") % {"told": told},
            [Fault("header:Upload-Complete", f"{told}.")],
        )
    if data:
        PhotoPart.objects.create(upload=known, offset=offset, data=data)
        known.offset = end
        known.expires_at = timezone.now() + GOOD_FOR
        known.save(update_fields=["offset", "expires_at"])
    return _finish(actor, known) if complete else Received(_state(known))


def _again(photo: Photo, offset: int, data: bytes) -> Upload:
    """A part of a photo that is whole: harmless if it is one. Raises WrongOffset."""
    if offset + len(data) > photo.size:
        raise WrongOffset(photo.size)
    if data and default_storage.exists(photo.stored):
        with default_storage.open(photo.stored) as file:
            file.seek(offset)
            if file.read(len(data)) != data:
                raise WrongOffset(
                    photo.size, gettext("The photo is whole already, with other content there.")
                )
    return _whole(photo)


def _content(upload: PhotoUpload) -> bytes:
    parts = upload.parts.order_by("offset").values_list("data", flat=True)
    return b"".join(bytes(part) for part in parts)


def _finish(actor: Actor, upload: PhotoUpload) -> Received:
    data = _content(upload)
    if hashlib.sha256(data).hexdigest() != upload.digest:
        PhotoPart.objects.filter(upload=upload).delete()
        upload.offset = 0
        upload.save(update_fields=["offset"])
        detail = "What arrived does not have the SHA-256 that was announced; send it again from the start."
        return Received(_state(upload), WrongOffset(0, detail))
    try:
        size = check_photo(data, upload.type)
    except Invalid as error:
        _drop(upload)
        return Received(Upload(upload.id, upload.size, 0), error)
    head = {name: getattr(upload, name) for name in _HEAD}
    extra = {"width": size.width, "height": size.height, "stored": _name(upload)}
    _drop(upload)
    photo = _keep(actor, _declared(upload), head | extra)
    _store(photo, data)
    return Received(_whole(photo))


_HEAD = (
    "kind", "subject", "text", "taken_at", "type", "size", "digest", "job_id", "test_point_id", "session_id",
    "member_id", "device_id",
)  # fmt: skip


def _drop(upload: PhotoUpload) -> None:
    PhotoPart.objects.filter(upload=upload).delete()
    PhotoUpload.objects.filter(id=upload.id).delete()


def _keep(actor: Actor, declared: Declared, columns: dict[str, Any]) -> Photo:
    photo: Photo = Photo.objects.create(id=declared.id, received_at=timezone.now(), **columns)
    events.record(
        actor,
        "photo.stored",
        "photo",
        photo.id,
        data={"job": str(photo.job_id), "kind": str(photo.kind), "size": photo.size},
        content_digest=events.row_digest(photo),
    )
    return photo


def _name(upload: PhotoUpload) -> str:
    ending = ENDINGS[PhotoType(upload.type)]
    return f"photos/{current_company()}/{upload.id}-{upload.digest[:16]}.{ending}"


def _store(photo: Photo, data: bytes) -> None:
    """The last step: a storage rolls nothing back. What a died attempt left there is written over."""
    if default_storage.exists(photo.stored):
        default_storage.delete(photo.stored)
    name = default_storage.save(photo.stored, ContentFile(data))
    if name != photo.stored:
        default_storage.delete(name)
        raise FileExistsError(photo.stored)


@transaction.atomic
def cancel(actor: Actor, photo_id: UUID) -> None:
    """Forgets an unfinished upload. Raises NotFound, Conflict when the photo is whole."""
    require(actor, Action.MEASURE)
    known = _known(actor, photo_id)
    if known is None:
        raise NotFound(gettext("There is no such upload."))
    if isinstance(known, Photo):
        raise Conflict(gettext("The photo is stored; it is removed with a reason, and stays to be seen."))
    _drop(known)
