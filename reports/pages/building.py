"""A site's model for building automation, from the site's page."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from jobs.access import Action, Actor
from jobs.pages.base import page
from reports.building import load
from reports.rest.building import answer, chosen


@require_safe
@page(Action.READ)
def model(request: HttpRequest, actor: Actor, site_id: UUID) -> HttpResponse:
    told = {"format": request.GET["format"]} if "format" in request.GET else {}
    return answer(chosen(told, request), load.load(actor, site_id))
