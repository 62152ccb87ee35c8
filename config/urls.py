"""Addresses of the service."""

from django.urls import path

from config import health

urlpatterns = [
    path("healthz", health.live),
    path("readyz", health.ready),
]
