"""Addresses of the service."""

from django.urls import include, path

from config import health, metrics
from config.graphql import schema
from jobs.admin import operators
from jobs.http.graphql import Graph

urlpatterns = [
    path("healthz", health.live),
    path("readyz", health.ready),
    path("metrics", metrics.page),
    path("api/v1/", include("config.rest")),
    path("admin/", operators.urls),
    path("graphql", Graph.as_view(schema=schema), name="graphql"),
    path("", include("jobs.pages.urls")),
    path("", include("measurements.pages.urls")),
    path("", include("reports.pages.urls")),
]
handler400 = "jobs.pages.failures.bad_request"
handler403 = "jobs.pages.failures.forbidden"
handler404 = "jobs.pages.failures.not_found"
handler500 = "jobs.pages.failures.unexpected"
