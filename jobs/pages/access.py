"""The owner's page of access: who came in or failed to, and the operators who are let in to help."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_http_methods, require_POST

from jobs import access_log, support
from jobs.access import Action, Actor
from jobs.errors import DomainError, NotFound
from jobs.models import Event
from jobs.pages.base import faults_on, page, show
from jobs.pages.forms import SupportForm

ROWS = 50


@dataclass(frozen=True)
class Line:
    """One event in words."""

    event: Event
    who: str
    what: str
    more: str


@require_http_methods(["GET", "HEAD", "POST"])
@page(Action.MANAGE_COMPANY)
def access(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Newest first, a page at a time; and the form that lets an operator in to help."""
    form = SupportForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            row = support.grant(actor, **form.cleaned_data)
        except DomainError as error:
            faults_on(form, error)
        else:
            words = gettext("%(operator)s may read here until %(until)s UTC.")
            until = f"{row.ends_at:%Y-%m-%d %H:%M}"
            messages.success(request, words % {"operator": row.operator, "until": until})
            return redirect("company-access")
    found = list(access_log.entries(actor, _before(request))[: ROWS + 1])
    context: dict[str, Any] = {
        "part": "access",
        "all_parts": True,
        "form": form,
        "grants": support.grants(actor),
        "now": timezone.now(),
        "lines": [_line(one) for one in found[:ROWS]],
        "older": found[ROWS - 1].id if len(found) > ROWS else None,
    }
    status = 422 if form.is_bound and form.errors else 200
    return show(request, "jobs/company/access.html", context, nav="company", status=status)


def _before(request: HttpRequest) -> UUID | None:
    """The event after which the page begins. Raises NotFound for what is no id."""
    text = request.GET.get("before")
    try:
        return UUID(text) if text else None
    except ValueError:
        raise NotFound() from None


def _line(event: Event) -> Line:
    who = event.member or event.token or event.data.get("operator") or ""
    subject = event.data.get("member_name", "")
    name = str(who) or subject or gettext("Somebody with a link")
    return Line(event, name, access_log.VERBS[event.verb], _more(event))


def _more(event: Event) -> str:
    data = event.data
    if event.verb == "person.sign_in_failed":
        times = ngettext("%(count)d time", "%(count)d times", data["times"]) % {"count": data["times"]}
        return f"{times}: {', '.join(data['networks'])}"
    for name in ("path", "network", "reason", "what", "for", "name"):
        if isinstance(data.get(name), str):
            return str(data[name])
    return ""


@require_POST
@page(Action.MANAGE_COMPANY)
def revoke_grant(request: HttpRequest, actor: Actor, grant_id: UUID) -> HttpResponse:
    support.revoke(actor, grant_id)
    messages.success(request, gettext("The leave is ended; the operator sees nothing here from now on."))
    return redirect("company-access")
