"""Which language is spoken where: pages follow the reader, the API and whatever is kept are English."""

from django.conf import settings
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.middleware.locale import LocaleMiddleware
from django.utils import translation

IN_ENGLISH = ("/api/", "/graphql")


def in_english() -> translation.override:
    """For what is stored or sent as evidence: `with in_english():`, or a function's decorator."""
    return translation.override(settings.LANGUAGE_CODE)


class ReaderLanguage(LocaleMiddleware):
    """The language of the browser, on pages. What programs and tablets read and keep is one for all."""

    def process_request(self, request: HttpRequest) -> None:
        if request.path_info.startswith(IN_ENGLISH):
            translation.activate(settings.LANGUAGE_CODE)
        else:
            super().process_request(request)

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        if request.path_info.startswith(IN_ENGLISH):
            return response
        return super().process_response(request, response)
