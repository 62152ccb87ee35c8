"""A secret on its one way to the screen: from the answer that made it to the page that shows it.

It travels in the browser's own short-lived, signed cookie and is never kept here, so that showing it after a
redirect neither stores it nor makes it twice.
"""

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.urls import reverse

SECONDS = 120
SALT = "jobs.pages.once"


def hand_over(response: HttpResponse, name: str, text: str, address: str) -> None:
    """Puts the secret on its way to the page at the address."""
    response.set_signed_cookie(
        name,
        text,
        salt=SALT,
        max_age=SECONDS,
        path=reverse(address),
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Strict",
    )


def handed_over(request: HttpRequest, name: str) -> str:
    """The secret that just came; empty when there is none, it is late or forged."""
    return request.get_signed_cookie(name, default="", salt=SALT, max_age=SECONDS) or ""


def forget(response: HttpResponse, name: str, address: str) -> None:
    """Makes sure that the page shows it no second time."""
    response.delete_cookie(name, path=reverse(address), samesite="Strict")
