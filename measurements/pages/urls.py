"""Addresses of the pages of the measurements app."""

from django.urls import URLPattern, URLResolver, path

from measurements.pages import balance, field

urlpatterns: list[URLPattern | URLResolver] = [
    path("field/", field.shell, name="field"),
    path(
        "jobs/<uuid:job_id>/systems/<uuid:system_id>/balance", balance.system_balance, name="system-balance"
    ),
    path("field/worker.js", field.worker, name="field-worker"),
    path("field/manifest.webmanifest", field.manifest, name="field-manifest"),
]
