"""The Celery application. Its settings are the CELERY_* names of config/settings.py."""

import os
import resource
import sys
from typing import Any

from celery import Celery
from celery.signals import task_postrun, task_prerun, worker_init, worker_process_init
from django.db import close_old_connections

from config import traces

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("flowledger")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.conf.CELERY_DB_REUSE_MAX = sys.maxsize  # else Celery connects to the database anew for every task
app.autodiscover_tasks()


@task_prerun.connect
@task_postrun.connect
def end_old_connections(task: Any, **_: Any) -> None:
    """As between two requests: a connection that is too old or was lost is not used again."""
    if not task.request.is_eager:
        close_old_connections()


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
