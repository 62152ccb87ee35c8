"""A technician's calendar: the file at the private address, and the page where the address is made."""

from django.http import HttpRequest, HttpResponse
from django.utils.http import parse_etags
from django.views.decorators.http import require_safe

from jobs import calendars
from jobs.errors import DomainError, NotFound
from jobs.http import limits
from jobs.pages.failures import answer

FILE = ".ics"
ASKED, SECONDS = 60, 60


@require_safe
def subscription(request: HttpRequest, text: str) -> HttpResponse:
    """The calendar file; 304 for who has it already. No sign-in: who knows the address may read it."""
    try:
        limits.limit(f"calendar:{text}", ASKED, SECONDS, "This calendar is asked for too often.")
        if not text.endswith(FILE):
            raise NotFound("There is no calendar at this address.")
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
