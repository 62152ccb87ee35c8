"""Addresses of the service."""

from importlib.util import find_spec

from django.urls import include, path

from config import health
from config.graphql import schema
from jobs.admin import operators
from jobs.http.graphql import Graph

PAGES = [
    name
    for name in ("jobs", "measurements", "reports")
    if find_spec(f"{name}.pages") and find_spec(f"{name}.pages.urls")
]

urlpatterns = [
    path("healthz", health.live),
    path("readyz", health.ready),
    path("api/v1/", include("config.rest")),
    path("admin/", operators.urls),
    path("graphql", Graph.as_view(schema=schema)),
    *(path("", include(f"{name}.pages.urls")) for name in PAGES),
]
handler400 = "jobs.pages.failures.bad_request"
handler403 = "jobs.pages.failures.forbidden"
handler404 = "jobs.pages.failures.not_found"
handler500 = "jobs.pages.failures.unexpected"
