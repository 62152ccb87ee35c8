"""Doors of photos and notes: resumable uploads from tablets, lists, files, what becomes of them.

Header names and the way of a part follow the IETF draft "Resumable Uploads for HTTP"
(draft-ietf-httpbis-resumable-upload).
"""

from collections.abc import Mapping
from typing import IO, Any
from uuid import UUID

from django.http import FileResponse, HttpResponseBase
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import (
    OpenApiExample,
    OpenApiParameter,
    OpenApiResponse,
    extend_schema,
    extend_schema_field,
)
from rest_framework import serializers
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action, Actor
from jobs.errors import Conflict, DomainError, Fault, Invalid, NotFound
from jobs.http import problem
from jobs.http.door import Door, Strict, etag
from jobs.http.idempotency import Repeatable
from jobs.http.parsing import body_of
from jobs.models import TestPoint
from jobs.rest import examples as ids
from jobs.rest.fields import Known, matching, uuid
from jobs.rest.serializers_people import Person
from measurements import photos, uploads
from measurements.models import Photo, PhotoKind, PhotoSubject, PhotoType
from measurements.photo_files import ENDINGS, MOST_BYTES

PARTIAL = "application/partial-upload"
LIMIT = f"max-size={MOST_BYTES}, max-age={int(uploads.GOOD_FOR.total_seconds())}"
OFFSET, COMPLETE = "Upload-Offset", "Upload-Complete"
EXAMPLE = {
    "id": ids.NEW_PHOTO,
    "job": ids.JOB,
    "test_point": ids.POINT,
    "kind": "photo",
    "subject": "mark",
    "text": "Final mark, damper at 4 of 9",
    "taken_at": "2026-03-02T09:38:00.120+01:00",
    "type": "image/jpeg",
    "size": 183204,
    "digest": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
}
PART_EXAMPLE = "\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01"
"""How a JPEG begins; each character is the byte of that number."""
UPLOAD_HEADERS = [
    OpenApiParameter(
        OFFSET,
        int,
        OpenApiParameter.HEADER,
        required=True,
        description="Where it begins.",
        examples=[OpenApiExample("The first part", 0)],
    ),
    OpenApiParameter(
        COMPLETE,
        str,
        OpenApiParameter.HEADER,
        required=True,
        description="?1 for the last part, else ?0.",
        examples=[OpenApiExample("More will come", "?0")],
    ),
]


@extend_schema_field({"type": "string", "maxLength": 36})
class NewId(serializers.Field):
    """An id that the tablet makes; not one that leads to something."""

    def to_internal_value(self, data: Any) -> UUID:
        try:
            return UUID(data)
        except (ValueError, TypeError, AttributeError):
            raise serializers.ValidationError("Must be a UUID.") from None

    def to_representation(self, value: UUID) -> str:
        return str(value)


class PhotoIn(Strict):
    """A photo before its content, or a note."""

    id = NewId(help_text="UUID version 7, made by the tablet.")
    job = serializers.UUIDField()
    test_point = serializers.UUIDField(required=False, allow_null=True, help_text="None: of the whole job.")
    session = serializers.UUIDField(required=False, allow_null=True)
    kind = serializers.ChoiceField(PhotoKind.choices)
    subject = serializers.ChoiceField(PhotoSubject.choices, required=False)
    text = serializers.CharField(
        required=False, allow_blank=True, trim_whitespace=False, max_length=photos.LONGEST_TEXT
    )
    taken_at = serializers.DateTimeField(help_text="The tablet's clock, with its offset.")
    type = serializers.ChoiceField(PhotoType.choices, required=False)
    size = serializers.IntegerField(
        required=False, min_value=1, max_value=2**31 - 1, help_text=f"Bytes, at most {MOST_BYTES}."
    )
    digest = serializers.CharField(required=False, max_length=64, help_text="SHA-256 of the file, hex.")

    class Meta:
        ref_name = "PhotoIn"


class PhotoChangeOut(serializers.Serializer):
    kind = serializers.CharField(help_text="corrected, removed, restored or erased")
    at = serializers.DateTimeField()
    member = Person()
    reason = serializers.CharField()

    class Meta:
        ref_name = "PhotoChange"


class PhotoOut(serializers.Serializer):
    """A photo or note as it stands: text, subject and point as corrected, the file as it was sent."""

    id = serializers.UUIDField(source="photo.id")
    job = serializers.UUIDField(source="photo.job_id")
    test_point = serializers.SerializerMethodField()
    session = serializers.UUIDField(source="session_id", allow_null=True)
    kind = serializers.ChoiceField(PhotoKind.choices, source="photo.kind")
    subject = serializers.ChoiceField(PhotoSubject.choices)
    text = serializers.CharField()
    state = serializers.ChoiceField(["stored", "removed", "erased"])
    taken_at = serializers.DateTimeField(source="photo.taken_at")
    received_at = serializers.DateTimeField(source="photo.received_at")
    member = Person(source="photo.member")
    type = serializers.CharField(source="photo.type")
    size = serializers.IntegerField(source="photo.size")
    width = serializers.IntegerField(source="photo.width")
    height = serializers.IntegerField(source="photo.height")
    digest = serializers.CharField(source="photo.digest")
    file = serializers.SerializerMethodField()
    changes = PhotoChangeOut(many=True)

    class Meta:
        ref_name = "Photo"

    def get_test_point(self, row: photos.Standing) -> UUID | None:
        return row.test_point.id if row.test_point else None

    def get_file(self, row: photos.Standing) -> str | None:
        return reverse("api-photo-file", args=[row.photo.id]) if row.has_file else None


class PhotoListed(PhotoOut):
    """The same from a row of a list."""

    def to_representation(self, instance: Photo) -> dict[str, Any]:
        return super().to_representation(photos.standing(instance))


class UploadOut(serializers.Serializer):
    """How far an upload is, and the photo or note when it is whole."""

    id = serializers.UUIDField()
    size = serializers.IntegerField()
    offset = serializers.IntegerField(help_text="Bytes that have arrived.")
    complete = serializers.BooleanField()
    expires_at = serializers.DateTimeField(allow_null=True)
    photo = PhotoOut(allow_null=True)

    class Meta:
        ref_name = "PhotoUpload"


class PartParser(BaseParser):
    """The body is the part."""

    media_type = PARTIAL

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        return body_of((parser_context or {})["request"])


class FieldPhotos(Repeatable, Door):
    """Photos and notes from a tablet, in the name of the person signed in on it."""

    needs = {"POST": Action.MEASURE}
    serializer_class = UploadOut

    @extend_schema(
        operation_id="field_photo_announce",
        tags=["field"],
        request=PhotoIn,
        responses={200: UploadOut, 201: UploadOut},
        examples=ids.sent("A final mark", EXAMPLE),
    )
    def post(self, request: Request) -> Response:
        """Announce a photo, then send its content in parts to the address in Location; or store a note.

        The same again is harmless and tells how much has arrived. A photo is JPEG, PNG or WebP of at most
        8 MB and 16.7 million pixels, a single picture without metadata (place, camera, comments).
        """
        given = self.read(PhotoIn)
        upload = uploads.announce(self.actor, declared(given))
        answer = _answer(self.actor, upload, 201)
        answer["Location"] = request.build_absolute_uri(f"/api/v1/field/photos/{upload.id}")
        answer["Upload-Limit"] = LIMIT
        return answer


def declared(given: dict[str, Any]) -> uploads.Declared:
    """The action's words for checked input."""
    return uploads.Declared(
        id=given["id"],
        job=given["job"],
        test_point=given.get("test_point"),
        session=given.get("session"),
        kind=PhotoKind(given["kind"]),
        subject=PhotoSubject(given.get("subject", PhotoSubject.PLAIN)),
        text=given.get("text", ""),
        taken_at=given["taken_at"],
        type=given.get("type", ""),
        size=given.get("size", 0),
        digest=given.get("digest", ""),
    )


class FieldPhoto(Door):
    """The upload of one photo. HEAD answers like GET, without a body."""

    needs = {"GET": Action.MEASURE, "PATCH": Action.MEASURE, "DELETE": Action.MEASURE}
    serializer_class = UploadOut
    parser_classes = (PartParser,)
    matches = False  # a part is placed by its offset, not by a version

    @extend_schema(operation_id="field_photo_upload", tags=["field"], responses=UploadOut)
    def get(self, request: Request, photo_id: UUID) -> Response:
        """How much has arrived: in Upload-Offset, Upload-Complete and Upload-Length too."""
        return _answer(self.actor, uploads.upload_of(self.actor, photo_id), 200)

    @extend_schema(
        operation_id="field_photo_part",
        examples=ids.sent("The beginning of a JPEG, a character a byte", PART_EXAMPLE, PARTIAL),
        tags=["field"],
        parameters=UPLOAD_HEADERS,
        request={PARTIAL: OpenApiTypes.BINARY},
        responses={200: UploadOut, 409: OpenApiResponse(description="Another offset; Upload-Offset has it")},
    )
    def patch(self, request: Request, photo_id: UUID) -> Response:
        """Add the next part. The last one makes the photo, if its bytes are what was announced.

        A part that has arrived already is harmless. A part elsewhere answers 409 with the right
        Upload-Offset. A file that is not taken as a photo answers 422, and the upload is forgotten.
        """
        uploads.upload_of(self.actor, photo_id)
        offset, complete = _offset(request), _complete(request)
        data: Any = request.data
        try:
            received = uploads.receive(self.actor, photo_id, offset=offset, data=data, complete=complete)
        except uploads.WrongOffset as error:
            return _refusal(request, error)
        if received.refusal is not None:
            return _refusal(request, received.refusal)
        return _answer(self.actor, received.upload, 200)

    @extend_schema(operation_id="field_photo_cancel", tags=["field"], responses={204: None})
    def delete(self, request: Request, photo_id: UUID) -> Response:
        """Forget an upload that is not finished."""
        uploads.cancel(self.actor, photo_id)
        return Response(status=204)


def _answer(actor: Actor, upload: uploads.Upload, status: int) -> Response:
    row = photos.visible_photos(actor).get(id=upload.id) if upload.photo else None
    body = {
        "id": upload.id,
        "size": upload.size,
        "offset": upload.offset,
        "complete": upload.complete,
        "expires_at": upload.expires_at,
        "photo": photos.standing(row) if row else None,
    }
    headers = {
        OFFSET: str(upload.offset),
        COMPLETE: "?1" if upload.complete else "?0",
        "Upload-Length": str(upload.size),
        "Cache-Control": "no-store",
    }
    return Response(UploadOut(body).data, status=status, headers=headers)


def _refusal(request: Request, error: DomainError) -> Response:
    """A problem that undoes nothing."""
    body = problem.body(error, getattr(request, "request_id", ""))
    answer = Response(body, status=error.status, content_type=problem.MEDIA_TYPE)
    if isinstance(error, uploads.WrongOffset):
        answer[OFFSET] = str(error.expected)
    return answer


def _offset(request: Request) -> int:
    text = request.headers.get(OFFSET, "")
    if not (text.isascii() and text.isdigit() and len(text) <= 10):
        told = "must be the byte at which the part begins, e.g. 0"
        raise Invalid(f"'{OFFSET}' {told}.", [Fault(f"header:{OFFSET}", told)])
    return int(text)


def _complete(request: Request) -> bool:
    text = request.headers.get(COMPLETE, "").strip()
    if text not in {"?0", "?1"}:
        told = "must be ?1 for the last part and ?0 for others"
        raise Invalid(f"'{COMPLETE}' {told}.", [Fault(f"header:{COMPLETE}", told)])
    return text == "?1"


PHOTO_FILTERS: Known = {name: (name, uuid) for name in ("job", "test_point", "session")}


class Photos(Door):
    """Photos and notes."""

    needs = {"GET": Action.READ}
    serializer_class = PhotoOut
    newest_first = True

    @extend_schema(
        operation_id="photo_list",
        tags=["measurements"],
        parameters=[OpenApiParameter(name, UUID) for name in PHOTO_FILTERS],
        responses=PhotoOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """The newest first, removed and erased ones too. A filter looks at where it was taken first."""
        rows = matching(photos.visible_photos(self.actor), self.filters(*PHOTO_FILTERS), PHOTO_FILTERS)
        return self.page(rows, PhotoListed)


class PhotoDetail(Door):
    """One photo or note."""

    needs = {"GET": Action.READ}

    @extend_schema(operation_id="photo", tags=["measurements"], responses=PhotoOut)
    def get(self, request: Request, photo_id: UUID) -> Response:
        """With what became of it."""
        return Response(PhotoOut(existing_photo(self.actor, photo_id)).data)


class PhotoFile(Door):
    """The file of a photo."""

    needs = {"GET": Action.READ}

    @extend_schema(
        operation_id="photo_file",
        tags=["measurements"],
        responses={(200, kind): OpenApiTypes.BINARY for kind in PhotoType.values},
    )
    def get(self, request: Request, photo_id: UUID) -> HttpResponseBase:
        """Byte for byte as it was sent."""
        return photo_response(existing_photo(self.actor, photo_id))


def existing_photo(actor: Actor, photo_id: UUID) -> photos.Standing:
    """A photo or note as it stands. Raises NotFound."""
    row = photos.visible_photos(actor).filter(id=photo_id).first()
    if row is None:
        raise NotFound()
    return photos.standing(row)


def photo_response(found: photos.Standing, *, inline: bool = False) -> FileResponse:
    """The file for its reader only, to be shown in a page of ours or saved. Raises NotFound, Conflict."""
    photo: Photo = found.photo
    if not photo.stored:
        raise NotFound("A note has no file.")
    if found.erased is not None:
        raise Conflict(f"The file was erased on {found.erased.at:%Y-%m-%d}: {found.erased.reason}")
    name = f"photo-{photo.taken_at:%Y%m%d-%H%M%S}.{ENDINGS[PhotoType(photo.type)]}"
    response = FileResponse(
        photos.opened(photo), as_attachment=not inline, filename=name, content_type=photo.type
    )
    response["Cache-Control"] = "private, max-age=3600"
    response["ETag"] = etag(photo.digest)
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    response["Cross-Origin-Resource-Policy"] = "same-origin"
    return response


class ReasonIn(Strict):
    reason = serializers.CharField(help_text="10 to 2,000 characters.")

    class Meta:
        ref_name = "PhotoReason"


class PhotoCorrectionIn(Strict):
    """What is to be said of it from now on; what is left out stays."""

    reason = serializers.CharField(help_text="10 to 2,000 characters.")
    text = serializers.CharField(
        required=False, allow_blank=True, trim_whitespace=False, max_length=photos.LONGEST_TEXT
    )
    subject = serializers.ChoiceField(PhotoSubject.choices, required=False)
    test_point = serializers.UUIDField(required=False, allow_null=True)

    class Meta:
        ref_name = "PhotoCorrection"


class PhotoCorrections(Repeatable, Door):
    """Corrections of what is said of a photo."""

    needs = {"POST": Action.MEASURE}
    serializer_class = PhotoOut

    @extend_schema(
        operation_id="photo_correct",
        examples=ids.sent(
            "Another outlet",
            {
                "reason": "It was taken at the branch, not at the outlet.",
                "text": "Lever at 5 of 9",
                "subject": "mark",
                "test_point": ids.BRANCH,
            },
        ),
        tags=["measurements"],
        request=PhotoCorrectionIn,
        responses={201: PhotoOut},
    )
    def post(self, request: Request, photo_id: UUID) -> Response:
        """Say anew what it shows and where. The file and what was said first stay."""
        now = existing_photo(self.actor, photo_id)
        given = self.read(PhotoCorrectionIn)
        photos.correct(self.actor, photo_id, **corrected(now, given))
        return Response(PhotoOut(existing_photo(self.actor, photo_id)).data, status=201)


def corrected(now: photos.Standing, given: dict[str, Any]) -> dict[str, Any]:
    """The action's words for checked input; what is left out stays as it stands now."""
    here: TestPoint | None = now.test_point
    return {
        "reason": given["reason"],
        "text": given.get("text", now.text),
        "subject": given.get("subject", now.subject),
        "test_point": given.get("test_point", here.id if here else None),
    }


class PhotoRemovals(Repeatable, Door):
    """Removals."""

    needs = {"POST": Action.MEASURE}
    serializer_class = PhotoOut

    @extend_schema(
        operation_id="photo_remove",
        examples=ids.sent("Too dark", {"reason": "Nothing can be seen on it."}),
        tags=["measurements"],
        request=ReasonIn,
        responses={201: PhotoOut},
    )
    def post(self, request: Request, photo_id: UUID) -> Response:
        """Take it out: it goes into no report, and stays to be seen with the reason."""
        existing_photo(self.actor, photo_id)
        photos.remove(self.actor, photo_id, reason=self.read(ReasonIn)["reason"])
        return Response(PhotoOut(existing_photo(self.actor, photo_id)).data, status=201)


class PhotoRestorals(Repeatable, Door):
    """Taking back in."""

    needs = {"POST": Action.MEASURE}
    serializer_class = PhotoOut

    @extend_schema(
        operation_id="photo_restore",
        examples=ids.sent("Needed after all", {"reason": "It is the only one of this mark."}),
        tags=["measurements"],
        request=ReasonIn,
        responses={201: PhotoOut},
    )
    def post(self, request: Request, photo_id: UUID) -> Response:
        """Take a removed one back in."""
        existing_photo(self.actor, photo_id)
        photos.restore(self.actor, photo_id, reason=self.read(ReasonIn)["reason"])
        return Response(PhotoOut(existing_photo(self.actor, photo_id)).data, status=201)
