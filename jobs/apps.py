"""The app of companies, people, plans and instruments."""

from typing import Any

from django.apps import AppConfig
from django.core.checks import Tags, register


class JobsConfig(AppConfig):
    """Registers the checks on tenant models and the audit at a worker's start."""

    name = "jobs"
    verbose_name = "Jobs"

    def ready(self) -> None:
        """Connect what must run in every process."""
        from celery.signals import worker_init

        from . import anchors, integrations, mail, plan_mail, reminders  # register their due work  # noqa: F401
        from .tenancy.checks import check_tenancy

        register(check_tenancy, Tags.models)
        worker_init.connect(audit_worker, dispatch_uid="jobs.tenancy")


def audit_worker(**kwargs: Any) -> None:
    """Let no worker start on a catalogue with a fault. The web server does this in config/wsgi.py."""
    from .tenancy.startup import refuse_on_fault

    refuse_on_fault()
