"""The Celery application. Its settings are the CELERY_* names of config/settings.py."""

import os
import resource
from typing import Any

from celery import Celery
from celery.signals import worker_init, worker_process_init

from config import traces

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("flowledger")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()


@worker_init.connect
def open_metrics(**_: Any) -> None:
    """The worker's own page of counts; its processes are counted on it together."""
    from config.metrics import serve_worker

    serve_worker()


@worker_process_init.connect
def start_traces(**_: Any) -> None:
    """In each process after the fork: what sends spans does not survive one."""
    traces.start("worker")


@worker_process_init.connect
def bound_memory(**_: Any) -> None:
    """A piece of work that eats memory fails with MemoryError in its own process and ends no other."""
    from django.conf import settings

    most, hard = settings.WORKER_MEMORY_MB << 20, resource.getrlimit(resource.RLIMIT_AS)[1]
    if most and (hard == resource.RLIM_INFINITY or most <= hard):
        resource.setrlimit(resource.RLIMIT_AS, (most, hard))
