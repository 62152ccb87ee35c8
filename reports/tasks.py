"""Makes the worker know what reports have due: importing the modules registers their handlers."""

from importlib import import_module

from celery import shared_task
from django.conf import settings

from jobs.models import Affiliation
from jobs.tenancy.context import company
from reports import exports, issue, removal, retention, signers, webhook_queue

__all__ = ["exports", "issue", "removal", "retention", "signers", "webhook_queue"]


@shared_task(name="reports.warn_of_certificates")
def warn_of_certificates() -> int:
    """Tells owners whose signing certificate ends soon. Sent by beat once a day."""
    told = 0
    for company_id in list(Affiliation.objects.values_list("company_ref", flat=True).distinct()):
        with company(company_id):
            told += signers.warn()
    return told


@shared_task(name="reports.keep")
def keep() -> int:
    """Makes pruning by the periods due in every company, and drops sign-ins that ended. Sent once a day."""
    engine = import_module(settings.SESSION_ENGINE)
    engine.SessionStore.clear_expired()
    return retention.schedule_all()
