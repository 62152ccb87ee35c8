"""Addresses of the measurements app, relative to /api/v1/."""

from django.urls import URLPattern, URLResolver, path

from measurements.rest import field

urlpatterns: list[URLPattern | URLResolver] = [
    path("field/batches", field.FieldBatches.as_view(), name="field-batches"),
]
