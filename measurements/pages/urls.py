"""Addresses of the pages of the measurements app."""

from django.urls import URLPattern, URLResolver, path

from measurements.pages import field

urlpatterns: list[URLPattern | URLResolver] = [
    path("field/", field.shell, name="field"),
    path("field/worker.js", field.worker, name="field-worker"),
    path("field/manifest.webmanifest", field.manifest, name="field-manifest"),
]
