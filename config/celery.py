"""The Celery application. Its settings are the CELERY_* names of config/settings.py."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("flowledger")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
