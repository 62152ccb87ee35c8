"""Sending a report by mail, the page behind a link, the spreadsheet, and who fetched what."""

import re
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import Action, Actor
from jobs.errors import DomainError, NotFound
from jobs.http.limits import address_of, limit
from jobs.pages.base import page, refuse
from jobs.pages.failures import answer
from jobs.tenancy.context import company
from reports import deliver, queries
from reports.rest.before import workbook_response
from reports.rest.views import file_response

FETCHES_A_MINUTE = 30


@require_POST
@page(Action.ISSUE)
def send(request: HttpRequest, actor: Actor, report_id: UUID) -> HttpResponse:
    addresses = [one for one in re.split(r"[\s,;]+", request.POST.get("addresses", "")) if one]
    try:
        days = int(request.POST.get("days") or deliver.USUAL_DAYS)
        rows = deliver.deliver(
            actor, report_id, addresses=addresses, message=request.POST.get("message", ""), days=days
        )
        messages.success(
            request, gettext("On its way to %(rows)s.") % {"rows": ", ".join(row.address for row in rows)}
        )
    except ValueError:
        messages.error(request, gettext("Give the days as a whole number."))
    except DomainError as error:
        said = "; ".join(f"{_shown(fault.pointer, addresses)} {fault.detail}" for fault in error.faults)
        messages.error(request, " ".join(part for part in (error.detail, said) if part))
    return redirect("report", report_id)


def _shown(pointer: str, addresses: list[str]) -> str:
    """What a pointer means on this form."""
    _, name, *rest = pointer.split("/")
    if name == "addresses" and rest:
        return addresses[int(rest[0])]
    named = {"addresses": gettext("Addresses"), "message": gettext("Message"), "days": gettext("Days")}
    return named.get(name, name)


@require_POST
@page(Action.ISSUE)
def end(request: HttpRequest, actor: Actor, delivery_id: UUID) -> HttpResponse:
    row = deliver.revoke(actor, delivery_id)
    messages.success(
        request, gettext("The link sent to %(address)s leads nowhere now.") % {"address": row.address}
    )
    return redirect("report", row.issue_id)


@require_GET
@page(Action.READ)
def workbook(request: HttpRequest, actor: Actor, report_id: UUID) -> HttpResponse:
    made = queries.visible_issues(actor).filter(id=report_id).first()
    if made is None:
        raise NotFound()
    try:
        return workbook_response(made, actor)
    except DomainError as error:
        refuse(request, error)
        return redirect("report", report_id)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def fetch(request: HttpRequest, token: str) -> HttpResponse:
    """Behind a mailed link: what is offered; its button fetches the file."""
    try:
        limit(f"fetch:{address_of(request)}", FETCHES_A_MINUTE, 60, gettext("Too many tries; wait a little."))
        if request.method == "POST":
            found = deliver.fetch(token)
            if found.file is None:
                raise NotFound()
            with company(found.company_id):
                response: HttpResponse = file_response(found.made, found.file)  # type: ignore[assignment]
            response["Cache-Control"] = "private, no-store"
            return response
        found = deliver.offered(token)
        context = {
            "found": found,
            "made": found.made,
            "replaced": found.newest > found.made.revision.revision,
        }
        return render(request, "reports/fetch.html", context)
    except DomainError as error:
        return answer(request, error)
