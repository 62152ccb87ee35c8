"""The technician's page: a shell that a service worker keeps on the tablet. It holds no data of a company.

Its parts are named without digests in their names, because modules import each other by name; the worker
fetches all files of a version together, so that no two versions mix.
"""

import json
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

HERE = Path(__file__).parents[1] / "static" / "field"
SHARED = ("flow/flow.css", "flow/mark.svg", "flow/plex-sans.ttf", "flow/plex-mono.ttf", "scripts/idb.js")
VERSION_LENGTH = 16


@dataclass(frozen=True)
class Parts:
    """The files of the page by their names among the static files, and the digest of all."""

    scripts: tuple[str, ...]
    sheets: tuple[str, ...]
    digest: str

    @property
    def names(self) -> tuple[str, ...]:
        return (*SHARED, *self.sheets, *self.scripts)


@cache
def _parts() -> Parts:
    return _read_parts()


def _read_parts() -> Parts:
    scripts = tuple(f"field/{file.name}" for file in sorted(HERE.glob("*.js")))
    found = sorted(file.name for file in HERE.glob("*.css"))
    # the base first: the sheets of the parts refine it
    sheets = tuple(f"field/{name}" for name in sorted(found, key=lambda name: (name != "field.css", name)))
    whole = sha256()
    for name in (*SHARED, *sheets, *scripts):
        path = finders.find(name)
        whole.update(name.encode() + b"\0" + (Path(path).read_bytes() if path else b""))
    return Parts(scripts, sheets, whole.hexdigest())


def parts() -> Parts:
    """Read once in a process, each time while developing."""
    return _read_parts() if settings.DEBUG else _parts()


@require_safe
@cache_control(no_cache=True)
def shell(request: HttpRequest) -> HttpResponse:
    """The page itself; what it shows comes from the tablet."""
    return render(request, "measurements/field.html", _shell())


def _shell() -> dict[str, object]:
    return {"root": settings.STATIC_URL, "sheets": parts().sheets}


@require_safe
@cache_control(no_cache=True)
def worker(request: HttpRequest) -> HttpResponse:
    """The service worker; another text, and so a new version, when any file, the shell or a word differs."""
    files = [f"{settings.STATIC_URL}{name}" for name in parts().names]
    page = render_to_string("measurements/field.html", _shell())
    words = "".join(str(text) for text in (request.LANGUAGE_CODE, page))
    version = sha256((parts().digest + words).encode()).hexdigest()[:VERSION_LENGTH]
    addresses = [*files, reverse("words"), reverse("field-manifest")]
    text = render_to_string("measurements/worker.js", {"version": version, "files": json.dumps(addresses)})
    return HttpResponse(text, content_type="text/javascript; charset=utf-8")


@require_safe
@cache_control(no_cache=True)
def manifest(request: HttpRequest) -> HttpResponse:
    """So that the page installs on a tablet (W3C Web Application Manifest)."""
    return JsonResponse(
        {
            "id": "/field/",
            "name": _("Flowledger field"),
            "short_name": _("Field"),
            "start_url": "/field/",
            "scope": "/field/",
            "display": "standalone",
            "background_color": "#fbfbf8",
            "theme_color": "#0f5f53",
            "icons": [
                {
                    "src": f"{settings.STATIC_URL}flow/mark.svg",
                    "sizes": "any",
                    "type": "image/svg+xml",
                    "purpose": "any",
                }
            ],
        },
        content_type="application/manifest+json",
    )
