"""Wiring: settings, URLs, the Celery application and the local machine room. No app imports this package."""

from config.celery import app as celery_app

__all__ = ["celery_app"]
