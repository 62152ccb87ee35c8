"""One line in the service's own log for each request that was denied: by whom, of which company, where."""

import logging
from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase

log = logging.getLogger(__name__)
DENIED = {403: "forbidden", 404: "no such id here"}


class DenialLog:
    """Stands inside the middleware that finds the actor.

    Whether an unknown id is another company's cannot be told apart here, and is not tried: row security hides
    it. Many such lines of one caller are what to look for.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        actor, match = getattr(request, "actor", None), request.resolver_match
        if actor is not None and match is not None and response.status_code in DENIED:
            ids = {name: str(value) for name, value in match.kwargs.items() if name.endswith("_id")}
            if response.status_code == 403 or ids:
                log.warning(
                    "denied",
                    extra={
                        "denial": DENIED[response.status_code],
                        "company": str(actor.company_id),
                        "principal": actor.principal,
                        "method": request.method,
                        "route": match.route,
                        "ids": ids,
                    },
                )
        return response
