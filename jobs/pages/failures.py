"""What a caller sees when something went wrong outside a view: a problem at the API, else a page."""

import sys

from django.db import Error as AnyDatabaseError
from django.http import HttpRequest, HttpResponse
from django.template import loader
from django.utils.translation import gettext, gettext_noop

from jobs import errors
from jobs.http import problem

STALE = gettext_noop(
    "This form is too old, was opened before you signed in, or does not come from here."
    " Nothing was done. Open the page again and repeat it; cookies must be allowed."
)


def answer(request: HttpRequest, error: errors.DomainError) -> HttpResponse:
    """The error in the form that the caller understands."""
    request_id = getattr(request, "request_id", "")
    if problem.wants_problem(request):
        return problem.as_json(error, request_id)
    page = loader.get_template("failure.html").render({"error": error, "request_id": request_id})
    response = HttpResponse(page, status=error.status)
    if error.retry_after is not None:
        response["Retry-After"] = str(error.retry_after)
    return response


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    return answer(request, problem.translate(exception))


def forbidden(request: HttpRequest, exception: Exception) -> HttpResponse:
    return answer(request, problem.translate(exception))


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return answer(request, errors.NotFound(gettext("There is nothing at this address.")))


def unexpected(request: HttpRequest) -> HttpResponse:
    """Also where the database went away outside a view: while it looked for the caller, or at the commit."""
    error = sys.exc_info()[1]
    if isinstance(error, AnyDatabaseError):
        return answer(request, problem.translate(error))
    return answer(request, problem.Unexpected(problem.UNEXPECTED))


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    """A form without the mark that this browser got from here: too old, or another site's."""
    return answer(request, errors.Forbidden(gettext(STALE)))
