"""What comes from the field: batches of sessions, photos and notes, handing a job over."""

import json
from datetime import datetime
from typing import Annotated
from uuid import UUID

import strawberry
from strawberry.scalars import JSON

from config.graphql.changes.base import Asked, Done, FaultFound, Outcome, Repeats, change
from config.graphql.jobs import Job
from config.graphql.photos import Photo, PhotoChoice
from jobs.access import Action
from jobs.queries import visible_jobs
from measurements import intake, photos, uploads
from measurements.rest import photos as shapes
from measurements.rest.photos import existing_photo
from measurements.submit import submit_job
from reports import photos as chosen_photos
from reports.rest.photos import ChoiceIn, choices_of

ANSWERED = Repeats.ANSWERED


@strawberry.type(description="What became of one session of a batch.")
class SessionStored:
    session: UUID | None = strawberry.field(description="Null when its id cannot be read.")
    outcome: str = strawberry.field(
        description=", ".join((intake.STORED, intake.ALREADY, intake.OTHER, intake.REFUSED))
    )
    faults: list[FaultFound] = strawberry.field(description="Pointers lead into the batch.")


@strawberry.type(description="One outcome for each session posted, in the same order.")
class BatchOutcome(Outcome):
    sessions: list[SessionStored] | None = None


@strawberry.type(description="How far an upload is, and the photo or note when it is whole.")
class PhotoUpload:
    id: UUID = strawberry.field(name="uuid")
    size: int
    offset: int = strawberry.field(description="Bytes that have arrived.")
    complete: bool
    expires_at: datetime | None
    photo: Photo | None
    url: str = strawberry.field(description="Where to send the content, in parts.")


@strawberry.type
class PhotoUploadOutcome(Outcome):
    upload: PhotoUpload | None = None


@strawberry.type
class PhotoOutcome(Outcome):
    photo: Photo | None = None


@strawberry.type(description="The choices that count for a job, in the order the photos were taken.")
class PhotoChoicesOutcome(Outcome):
    choices: list[PhotoChoice] | None = None


@strawberry.type(description="Something that a job handed over still lacks.")
class HandoverLack:
    system: str
    point: str
    test_point: UUID
    reason: str


@strawberry.type(description="The job handed over, and what is still missing.")
class HandoverOutcome(Outcome):
    job: Job | None = None
    missing: list[HandoverLack] | None = None


@change(
    Action.MEASURE,
    repeats=ANSWERED,
    batch=Annotated[JSON, strawberry.argument(description="As `POST /api/v1/field/batches` takes it.")],
)
def field_batch_post(asked: Asked) -> BatchOutcome:
    """Post readings. Each session is stored whole or refused with the place of each fault.

    A repeat is harmless: sessions already stored are told so. Give figures as text: that keeps the digits
    shown. At most 200 sessions and 5,000 readings and sweeps in a batch.
    """
    body = json.dumps(asked.args["batch"], separators=(",", ":")).encode()
    return BatchOutcome(
        sessions=[
            SessionStored(
                session=one.session,
                outcome=one.outcome,
                faults=[FaultFound(pointer=f.pointer, detail=f.detail) for f in one.errors],
            )
            for one in intake.post_batch(asked.actor, body)
        ]
    )


@change(Action.MEASURE, takes=shapes.PhotoIn, repeats=ANSWERED)
def field_photo_announce(asked: Asked) -> PhotoUploadOutcome:
    """Announce a photo, then send its content in parts by REST; or store a note.

    The same again is harmless and tells how much has arrived. A photo is JPEG, PNG or WebP of at most 8 MB
    and 16.7 million pixels, a single picture without metadata (place, camera, comments).
    """
    made = uploads.announce(asked.actor, shapes.declared(asked.given))
    row = photos.visible_photos(asked.actor).get(id=made.id) if made.photo else None
    upload = PhotoUpload(
        id=made.id,
        size=made.size,
        offset=made.offset,
        complete=made.complete,
        expires_at=made.expires_at,
        photo=row,  # type: ignore[arg-type]  # a row stands for its type
        url=f"/api/v1/field/photos/{made.id}",
    )
    return PhotoUploadOutcome(upload=upload)


@change(Action.MEASURE, "photo")
def field_photo_cancel(asked: Asked) -> Done:
    """Forget an upload that is not finished."""
    uploads.cancel(asked.actor, asked.at("photo"))
    return Done.of(done=True)


def _photo(asked: Asked) -> PhotoOutcome:
    return PhotoOutcome.of(photo=photos.visible_photos(asked.actor).get(id=asked.at("photo")))


@change(Action.MEASURE, "photo", takes=shapes.PhotoCorrectionIn, repeats=ANSWERED)
def photo_correct(asked: Asked) -> PhotoOutcome:
    """Say anew what it shows and where. The file and what was said first stay."""
    now = existing_photo(asked.actor, asked.at("photo"))
    photos.correct(asked.actor, asked.at("photo"), **shapes.corrected(now, asked.given))
    return _photo(asked)


@change(Action.MEASURE, "photo", takes=shapes.ReasonIn, repeats=ANSWERED)
def photo_remove(asked: Asked) -> PhotoOutcome:
    """Take it out: it goes into no report, and stays to be seen with the reason."""
    existing_photo(asked.actor, asked.at("photo"))
    photos.remove(asked.actor, asked.at("photo"), reason=asked.given["reason"])
    return _photo(asked)


@change(Action.MEASURE, "photo", takes=shapes.ReasonIn, repeats=ANSWERED)
def photo_restore(asked: Asked) -> PhotoOutcome:
    """Take a removed one back in."""
    existing_photo(asked.actor, asked.at("photo"))
    photos.restore(asked.actor, asked.at("photo"), reason=asked.given["reason"])
    return _photo(asked)


@change(Action.REVIEW, "photo", takes=shapes.ReasonIn, repeats=ANSWERED)
def photo_erase(asked: Asked) -> PhotoOutcome:
    """Erase a file that must not be kept, for good. Its row, digest and the reason stay.

    Documents that were issued with it keep it.
    """
    existing_photo(asked.actor, asked.at("photo"))
    chosen_photos.erase(asked.actor, asked.at("photo"), reason=asked.given["reason"])
    return _photo(asked)


@change(Action.REVIEW, "job", takes=ChoiceIn, repeats=ANSWERED)
def photo_choose(asked: Asked) -> PhotoChoicesOutcome:
    """Show photos and notes in documents, or leave them out. The next approval or document has them so."""
    job = asked.at("job")
    choices_of(asked.actor, job)
    given = asked.given
    chosen_photos.choose(asked.actor, job, given["photos"], shown=given["shown"], reason=given["reason"])
    return PhotoChoicesOutcome.of(choices=choices_of(asked.actor, job))


@change(Action.SUBMIT, "job", repeats=ANSWERED)
def job_submit(asked: Asked) -> HandoverOutcome:
    """Hand the job over for review. What is missing is listed, not refused."""
    found = submit_job(asked.actor, asked.at("job"))
    return HandoverOutcome.of(
        job=visible_jobs(asked.actor).get(id=found.job.id),
        missing=[
            HandoverLack(system=one.system, point=one.point, test_point=one.test_point, reason=one.reason)
            for one in found.missing
        ],
    )
