"""Photos and notes as they stand, and which of them documents show."""

from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import strawberry
from django.urls import reverse

from config.graphql.lists import Connection, Filters, filters, many
from config.graphql.people import Member
from config.graphql.rows import Named, Node, computed, for_all, name_of, node, one, seen_ones, together
from jobs import models as jobs
from jobs.access import Actor
from jobs.http.graphql import actor_of
from jobs.queries import visible
from measurements import models as measurements
from measurements.photos import standing, visible_photos
from measurements.rest.photos import PHOTO_FILTERS
from reports.models import PhotoChoice as ChoiceRow

if TYPE_CHECKING:
    from config.graphql.jobs import Job
    from config.graphql.measurements import Session
    from config.graphql.sites import TestPoint

PHOTOS: Filters = filters(
    PHOTO_FILTERS,
    job=(jobs.Job, "Of this job."),
    test_point=(jobs.TestPoint, "First taken at this test point."),
    session=(measurements.Session, "Taken with this session."),
)


@node(measurements.PhotoChange, "What became of a photo or note: by whom, when and why.")
class PhotoChange(Node):
    kind: str = strawberry.field(description="corrected, removed, restored or erased")
    at: datetime
    member: Member | None = one("member")
    reason: str


@node(ChoiceRow, "That documents show a photo or note, or show it no more.")
class PhotoChoice(Node):
    shown: bool
    print_digest: str = strawberry.field(description="SHA-256 of the JPEG in documents; none of a note.")
    member: Member | None = one("member")
    at: datetime
    reason: str


def _choices(rows: list[Any], actor: Actor) -> dict[Any, Any]:
    found = visible(ChoiceRow.objects.filter(photo__in=[row.pk for row in rows]), actor)
    newest = found.order_by("photo_id", "-at", "-id").distinct("photo_id")
    return {choice.photo_id: choice for choice in together(newest)}


def _point(root: Any, info: strawberry.Info) -> Any:
    def load(rows: list[Any]) -> dict[Any, Any]:
        points = {row.pk: standing(row).test_point for row in rows}
        keys = {key: point.pk if point else None for key, point in points.items()}
        return seen_ones(jobs.TestPoint, keys, actor_of(info))

    return for_all(root, "standing at", load)


def _session(root: Any, info: strawberry.Info) -> Any:
    def load(rows: list[Any]) -> dict[Any, Any]:
        keys = {row.pk: standing(row).session_id for row in rows}
        return seen_ones(measurements.Session, keys, actor_of(info))

    return for_all(root, "taken with", load)


@node(
    measurements.Photo,
    "A photo or note as it stands: text, subject and point as corrected, the file as it was sent.",
    rows=visible_photos,
)
class Photo(Node):
    kind: str

    @strawberry.field
    def subject(root: Any) -> str:
        return standing(root).subject

    @strawberry.field
    def text(root: Any) -> str:
        return standing(root).text

    @strawberry.field(description="stored, removed or erased")
    def state(root: Any) -> str:
        return standing(root).state

    taken_at: datetime
    received_at: datetime
    type: str
    size: int = strawberry.field(description="Bytes.")
    width: int
    height: int
    digest: str = strawberry.field(description="SHA-256 of the file as it was sent.")
    job: Annotated["Job", strawberry.lazy("config.graphql.jobs")] | None = one("job")
    test_point: Annotated["TestPoint", strawberry.lazy("config.graphql.sites")] | None = strawberry.field(
        resolver=_point, description="Where it stands now; null: of the whole job."
    )
    session: Annotated["Session", strawberry.lazy("config.graphql.measurements")] | None = strawberry.field(
        resolver=_session
    )
    member: Member | None = one("member")
    device: Named | None = name_of("device", "The tablet.")
    changes: Connection[PhotoChange] = many(measurements.PhotoChange, "photo", "Oldest first.")
    choice: PhotoChoice | None = computed(
        _choices, description="Whether documents show it, as it was said last."
    )

    @strawberry.field(description="Where to fetch the file, with the same token; null: there is none.")
    def url(root: Any) -> str | None:
        return reverse("api-photo-file", args=[root.pk]) if standing(root).has_file else None

    @strawberry.field(description="Where to fetch it made small.")
    def thumbnail_url(root: Any) -> str | None:
        return reverse("api-photo-thumbnail", args=[root.pk]) if standing(root).has_file else None
