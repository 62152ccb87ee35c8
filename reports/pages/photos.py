"""A job's photos and notes for its supervisor: looked at point by point, chosen for documents, put right."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from jobs.access import Action, Actor
from jobs.errors import DomainError, NotFound
from jobs.models import TestPoint
from jobs.pages.base import page, refuse, show
from jobs.pages.forms import in_words
from jobs.reasons import LONGEST_REASON, SHORTEST_REASON
from measurements import photos as measured
from measurements.models import PhotoSubject
from reports import photos, queries
from reports.photos import Chosen

ACTS = {"correct", "remove", "restore", "erase"}


@dataclass(frozen=True)
class Group:
    """Photos and notes of one test point; without one of the whole job."""

    point: TestPoint | None
    items: list[Chosen]


def groups(found: Iterable[Chosen], points: Iterable[TestPoint]) -> list[Group]:
    """By point in the order of the systems; those of the whole job last."""
    by_point: dict[UUID | None, list[Chosen]] = {}
    for one in found:
        here = one.standing.test_point
        by_point.setdefault(here.id if here else None, []).append(one)
    made = [Group(point, by_point[point.id]) for point in points if point.id in by_point]
    return [*made, Group(None, by_point[None])] if None in by_point else made


def at_point(found: Iterable[Chosen], point_id: UUID) -> list[Chosen]:
    """Those taken at a point, removed ones left out."""
    return [
        one
        for one in found
        if one.standing.test_point is not None
        and one.standing.test_point.id == point_id
        and one.standing.removed is None
    ]


@require_GET
@page(Action.REVIEW)
def job(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    row = queries.visible_jobs(actor).filter(id=job_id).first()
    if row is None:
        raise NotFound()
    found = photos.of_job(job_id)
    points = list(
        measured.points_of(job_id)
        .select_related("system")
        .order_by("system__tag", "position", "tag")
        .distinct()
    )
    context = {
        "job": row,
        "groups": groups(found, points),
        "points": points,
        "subjects": in_words(PhotoSubject.choices),
        "shown": sum(one.shown for one in found),
        "count": len(found),
        "shortest": SHORTEST_REASON,
        "longest": LONGEST_REASON,
        "longest_text": measured.LONGEST_TEXT,
    }
    with timezone.override(row.site.time_zone):
        return show(request, "reports/photos.html", context, nav="review")


@require_POST
@page(Action.REVIEW)
def choose(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    """Shows the ticked ones in documents, or leaves them out."""
    shown = request.POST.get("choice") == "show"
    try:
        ids = [_id(text) for text in request.POST.getlist("photo")[: photos.MOST_AT_ONCE + 1]]
        made = photos.choose(actor, job_id, ids, shown=shown)
    except NotFound:
        raise
    except DomainError as error:
        refuse(request, error)
        return redirect("review-photos", job_id)
    count = {"count": len(made)}
    if shown:
        told = ngettext("%(count)d goes into the report.", "%(count)d go into the report.", len(made)) % count
    else:
        told = ngettext("%(count)d is left out of the report.", "%(count)d are left out.", len(made)) % count
    messages.success(request, told)
    return redirect("review-photos", job_id)


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise NotFound() from None


@require_POST
@page(Action.REVIEW)
def change(request: HttpRequest, actor: Actor, photo_id: UUID) -> HttpResponse:
    """Corrects, takes out, takes back in or erases one, with a reason."""
    row = measured.visible_photos(actor).filter(id=photo_id).first()
    act = request.POST.get("act", "")
    if row is None or act not in ACTS:
        raise NotFound()
    try:
        told = _do(act, actor, photo_id, request.POST)
        messages.success(request, told)
    except DomainError as error:
        refuse(request, error)
    response: HttpResponse = redirect("review-photos", row.job_id)
    response["Location"] += f"#photo-{photo_id}"
    return response


def _do(act: str, actor: Actor, photo_id: UUID, given: Any) -> str:
    reason = given.get("reason", "")
    if act == "correct":
        point = given.get("test_point", "")
        measured.correct(
            actor,
            photo_id,
            reason=reason,
            text=given.get("text", "").replace("\r\n", "\n"),
            subject=given.get("subject", ""),
            test_point=_id(point) if point else None,
        )
        return _("Corrected; what was said first is kept.")
    if act == "remove":
        measured.remove(actor, photo_id, reason=reason)
        return _("Taken out; it stays to be seen here with the reason.")
    if act == "restore":
        measured.restore(actor, photo_id, reason=reason)
        return _("Taken back in.")
    photos.erase(actor, photo_id, reason=reason)
    return _("The file is erased; its digest and the reason stay.")
