"""Thin doors to photos in documents: choosing them, small pictures for lists, erasing a file."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action, Actor
from jobs.errors import Conflict, NotFound
from jobs.http.door import Door, Strict, etag
from jobs.http.idempotency import Repeatable
from jobs.rest import examples as ids
from jobs.rest.serializers_people import Person
from measurements.photos import opened, standing, visible_photos
from measurements.rest.photos import PhotoOut, ReasonIn, existing_photo
from reports import photos as chosen_photos
from reports import queries
from reports.prints import thumbnail


class ChoiceIn(Strict):
    """Photos and notes of the job, and whether documents show them."""

    photos = serializers.ListField(
        child=serializers.UUIDField(), min_length=1, max_length=chosen_photos.MOST_AT_ONCE
    )
    shown = serializers.BooleanField()
    reason = serializers.CharField(
        required=False, allow_blank=True, max_length=chosen_photos.LONGEST_REASON, default=""
    )

    class Meta:
        ref_name = "PhotoChoiceIn"


class ChoiceOut(serializers.Serializer):
    """The choice that counts for a photo or note."""

    photo = serializers.UUIDField(source="photo_id")
    shown = serializers.BooleanField()
    print_digest = serializers.CharField(help_text="SHA-256 of the JPEG in documents; none of a note.")
    member = Person()
    at = serializers.DateTimeField()
    reason = serializers.CharField()

    class Meta:
        ref_name = "PhotoChoice"


class ChoiceList(serializers.Serializer):
    items = ChoiceOut(many=True)


class JobPhotoChoices(Repeatable, Door):
    """Which photos and notes of a job its documents show."""

    needs = {"GET": Action.READ, "POST": Action.REVIEW}
    pagination_class = None
    serializer_class = ChoiceList

    @extend_schema(operation_id="photo_choices", tags=["review"], responses=ChoiceList)
    def get(self, request: Request, job_id: UUID) -> Response:
        """The choices that count, in the order the photos were taken."""
        self.filters()
        return Response(ChoiceList({"items": choices_of(self.actor, job_id)}).data)

    @extend_schema(
        operation_id="photo_choose",
        examples=ids.sent("Into the report", {"photos": [ids.PHOTO], "shown": True}),
        tags=["review"],
        request=ChoiceIn,
        responses={200: ChoiceList},
    )
    def post(self, request: Request, job_id: UUID) -> Response:
        """Show them, or leave them out. The next approval or document has them so."""
        choices_of(self.actor, job_id)
        given = self.read(ChoiceIn)
        chosen_photos.choose(
            self.actor, job_id, given["photos"], shown=given["shown"], reason=given["reason"]
        )
        return Response(ChoiceList({"items": choices_of(self.actor, job_id)}).data)


def choices_of(actor: Actor, job_id: UUID) -> list[Any]:
    """The choices that count for a job's photos and notes, in the order they were taken. Raises NotFound."""
    if not queries.visible_jobs(actor).filter(id=job_id).exists():
        raise NotFound()
    return [one.choice for one in chosen_photos.of_job(job_id) if one.choice is not None]


class PhotoErasure(Repeatable, Door):
    """Erasing the file of a photo."""

    needs = {"POST": Action.REVIEW}
    serializer_class = PhotoOut

    @extend_schema(
        operation_id="photo_erase",
        examples=ids.sent("A visitor", {"reason": "A visitor can be recognised on it."}),
        tags=["review"],
        request=ReasonIn,
        responses={201: PhotoOut},
    )
    def post(self, request: Request, photo_id: UUID) -> Response:
        """Erase a file that must not be kept, for good. Its row, digest and the reason stay.

        Documents that were issued with it keep it.
        """
        existing_photo(self.actor, photo_id)
        chosen_photos.erase(self.actor, photo_id, reason=self.read(ReasonIn)["reason"])
        row = visible_photos(self.actor).get(id=photo_id)
        return Response(PhotoOut(standing(row)).data, status=201)


class PhotoThumbnail(Door):
    """A photo made small for lists."""

    needs = {"GET": Action.READ}

    @extend_schema(
        operation_id="photo_thumbnail",
        tags=["measurements"],
        responses={(200, "image/jpeg"): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, photo_id: UUID) -> HttpResponseBase:
        """A JPEG of at most 320 pixels."""
        row = visible_photos(self.actor).filter(id=photo_id).first()
        if row is None or not row.stored:
            raise NotFound()
        if not standing(row).has_file:
            raise Conflict("The file was erased.")
        with opened(row) as file:
            response = HttpResponse(thumbnail(file), content_type="image/jpeg")
        response["Cache-Control"] = "private, max-age=86400"
        response["ETag"] = etag(f"{row.digest[:32]}-small")
        response["X-Content-Type-Options"] = "nosniff"
        response["Content-Security-Policy"] = "default-src 'none'; sandbox"
        response["Content-Disposition"] = f'inline; filename="photo-{row.id}.jpg"'
        return response
