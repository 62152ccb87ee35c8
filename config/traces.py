"""Traces over OTLP, off until OTEL_EXPORTER_OTLP_ENDPOINT is set. Statements go without their values."""

import os
from typing import Any

ENDPOINT = "OTEL_EXPORTER_OTLP_ENDPOINT"


def are_wanted() -> bool:
    return bool(os.environ.get(ENDPOINT))


def start(part: str) -> None:
    """Instruments this process; `part` is web or worker. The standard's own variables set the rest."""
    if not are_wanted():
        return
    from opentelemetry import trace
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
    from opentelemetry.instrumentation.celery import CeleryInstrumentor
    from opentelemetry.instrumentation.django import DjangoInstrumentor
    from opentelemetry.instrumentation.psycopg import PsycopgInstrumentor
    from opentelemetry.sdk.resources import Resource
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor

    resource = Resource.create({"service.name": f"flowledger-{part}"})
    provider = TracerProvider(resource=resource)
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter()))
    trace.set_tracer_provider(provider)
    PsycopgInstrumentor().instrument(capture_parameters=False)
    CeleryInstrumentor().instrument()
    if part == "web":
        DjangoInstrumentor().instrument(response_hook=_name_request)


def _name_request(span: Any, request: Any, response: Any) -> None:
    """The request's id beside the trace's, so that log and trace find each other."""
    if span.is_recording():
        span.set_attribute("flowledger.request_id", getattr(request, "request_id", ""))
