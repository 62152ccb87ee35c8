"""Addresses of the jobs app, relative to /api/v1/."""

from django.urls import URLPattern, URLResolver

urlpatterns: list[URLPattern | URLResolver] = []
