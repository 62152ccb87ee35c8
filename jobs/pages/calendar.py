"""A technician's calendar: the file at the private address, and the page where the address is made."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.http import parse_etags
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from jobs import calendars
from jobs.access import Action, Actor
from jobs.errors import DomainError, Forbidden, NotFound
from jobs.http import limits
from jobs.pages import once
from jobs.pages.base import page, show
from jobs.pages.failures import answer
from jobs.queries import visible_members

FILE = ".ics"
ASKED, SECONDS = 60, 60
SHOWN = "calendar-address"
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


@require_safe
def subscription(request: HttpRequest, text: str) -> HttpResponse:
    """The calendar file; 304 for who has it already. No sign-in: who knows the address may read it."""
    try:
        limits.limit(f"calendar:{text}", ASKED, SECONDS, _("This calendar is asked for too often."))
        if not text.endswith(FILE):
            raise NotFound(_("There is no calendar at this address."))
        found = calendars.calendar_at(text.removesuffix(FILE))
    except DomainError as error:
        return answer(request, error)
    tag = f'"{found.tag}"'
    if tag in parse_etags(request.headers.get("If-None-Match", "")):
        response = HttpResponse(status=304)
    else:
        response = HttpResponse(found.body, content_type="text/calendar; charset=utf-8")
        response["Content-Disposition"] = 'inline; filename="plan.ics"'
    response["ETag"] = tag
    response["Cache-Control"] = "private, no-cache"
    return response


@get_or_post
@page(Action.MEASURE)
def own_calendar(request: HttpRequest, actor: Actor) -> HttpResponse:
    """One's own address: made, shown once, ended."""
    if actor.member_id is None:
        raise Forbidden(_("A calendar is a person's: sign in first."))
    if request.method == "POST":
        return _act(request, actor, actor.member_id, "calendar")
    context = {
        "row": calendars.address_of(actor, actor.member_id),
        "shown": once.handed_over(request, SHOWN),
    }
    response = show(request, "jobs/plan/calendar.html", context, nav="calendar")
    once.forget(response, SHOWN, "calendar")
    return response


@get_or_post
@page(Action.PLAN)
def all_calendars(request: HttpRequest, actor: Actor) -> HttpResponse:
    """For the planner: whose calendar has an address; made for somebody, or ended."""
    if request.method == "POST":
        try:
            member_id = UUID(request.POST.get("member", ""))
        except ValueError:
            raise NotFound(_("There is no such person here.")) from None
        return _act(request, actor, member_id, "plan-calendars")
    known = calendars.addresses(actor)
    members = visible_members(actor).filter(active=True).order_by("name", "id")
    context = {
        "members": [(one, known.get(one.id)) for one in members],
        "shown": once.handed_over(request, SHOWN),
    }
    response = show(request, "jobs/plan/calendars.html", context, nav="plan")
    once.forget(response, SHOWN, "plan-calendars")
    return response


def _act(request: HttpRequest, actor: Actor, member_id: UUID, address: str) -> HttpResponse:
    response: HttpResponse = redirect(address)
    if request.POST.get("act") == "revoke":
        calendars.revoke_address(actor, member_id)
        messages.success(request, _("The address is ended; whoever knows it sees nothing any more."))
    else:
        text = calendars.make_address(actor, member_id)[1]
        once.hand_over(response, SHOWN, text, address)
    return response
