"""Counts and times for a Prometheus server, at /metrics for who has METRICS_TOKEN.

Processes of one machine share METRICS_DIR, one small file each. What waits to be done is told by the sweep,
which visits the companies anyway, and kept in the cache.
"""

import hmac
import time
from collections.abc import Callable, Iterator

from django.conf import settings
from django.core.cache import cache
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from prometheus_client import (
    CONTENT_TYPE_LATEST,
    REGISTRY,
    CollectorRegistry,
    generate_latest,
    start_http_server,
)
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from jobs import metrics
from jobs.due import STANDING

Handler = Callable[[HttpRequest], HttpResponseBase]
NOT_ROUTED = "none"
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"})
GAUGES = {
    "work_due": "Pieces of work that are due and not done, as the last sweep found.",
    "work_oldest_seconds": "How long the oldest of them waits.",
    "events_unnumbered": "Events without their number.",
    "sweep_age_seconds": "How long ago the last sweep ended; large: worker or beat do not run.",
}


class MetricsMiddleware:
    """Times each request under its route, so that no id of anything gets into a label."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        begun = time.perf_counter()
        response = self.get_response(request)
        found = request.resolver_match
        method = request.method if request.method in METHODS else "other"
        status = f"{response.status_code // 100}xx"
        route = found.route if found else NOT_ROUTED
        metrics.REQUESTS.labels(method, route, status).observe(time.perf_counter() - begun)
        return response


class Standing(Collector):
    """What the sweep found last."""

    def collect(self) -> Iterator[GaugeMetricFamily]:
        try:
            found: dict[str, float] = dict(cache.get(STANDING) or {})
        except Exception:  # whatever a client library raises: the rest of the page still counts
            found = {}
        if at := found.pop("at", None):
            found["sweep_age_seconds"] = max(0.0, time.time() - at)
        for name, words in GAUGES.items():
            if name in found:
                yield GaugeMetricFamily(f"flowledger_{name}", words, value=found[name])


def registry() -> CollectorRegistry:
    """All processes of the machine together, or this one alone without METRICS_DIR."""
    if not settings.METRICS_DIR:
        return REGISTRY
    found = CollectorRegistry()
    MultiProcessCollector(found, path=settings.METRICS_DIR)  # type: ignore[no-untyped-call]
    return found


def text() -> bytes:
    """The page in the Prometheus text format."""
    standing = CollectorRegistry()
    standing.register(Standing())
    return generate_latest(registry()) + generate_latest(standing)


@transaction.non_atomic_requests
@require_safe
@never_cache
def page(request: HttpRequest) -> HttpResponse:
    """404 unless the token fits, so that nobody learns that there is such a page."""
    given = request.headers.get("Authorization", "").removeprefix("Bearer ")
    wanted: str = settings.METRICS_TOKEN
    if not wanted or not hmac.compare_digest(given.encode(), wanted.encode()):
        raise Http404
    return HttpResponse(text(), content_type=CONTENT_TYPE_LATEST)


def serve_worker() -> None:
    """The same page of a worker's machine, on METRICS_PORT."""
    if settings.METRICS_PORT:
        start_http_server(settings.METRICS_PORT, addr=settings.METRICS_ADDRESS, registry=registry())
