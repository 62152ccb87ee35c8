"""The public page that tells whether a file is the issued report. No account; nothing of the file is kept."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_safe

from jobs.errors import DomainError, NotFound
from jobs.http.limits import address_of, limit
from jobs.pages.failures import answer
from reports import verify
from reports.rest.views import CHECKS_A_MINUTE
from reports.upload import digest_only, uploaded_digest


@csrf_exempt  # until the upload's handler is set: reading the token would read the file
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def check(request: HttpRequest, company: str, number: str, key: str) -> HttpResponse:
    try:
        limit(f"check:{address_of(request)}", CHECKS_A_MINUTE, 60, gettext("Too many checks; wait a little."))
        if request.method == "POST":
            digest_only(request)
        return _shown(request, company, number, key)
    except DomainError as error:
        return answer(request, error)


@csrf_protect
def _shown(request: HttpRequest, company: str, number: str, key: str) -> HttpResponse:
    report = verify.find(verify.Address(company, number, key))
    if report is None:
        raise NotFound(
            gettext(
                "No report was issued under this address. Compare it with the printed one, letter by letter."
            )
        )
    finding, fault = None, ""
    if request.method == "POST":
        try:
            finding = verify.judge(report, uploaded_digest(request.FILES))
        except DomainError as error:
            fault = error.detail
    context = {"report": report, "finding": finding, "fault": fault}
    return render(request, "reports/check.html", context, status=422 if fault else 200)


@never_cache
@require_safe
def by_address(request: HttpRequest) -> HttpResponse:
    """Asks for the printed address.

    A file alone is not taken here: to learn which report it names, a stranger's PDF would have to be kept
    and parsed, and its digest looked for across companies.
    """
    given = request.GET.get("address", "")[:400]
    found = verify.parse_address(given) if given else None
    if found is not None:
        return redirect("check", found.company, found.number, found.key)
    wrong = gettext("This is no address of a report. Copy it as it is printed, to its end.")
    fault = wrong if given else ""
    context = {"given": given, "fault": fault}
    return render(request, "reports/check_address.html", context, status=422 if fault else 200)
